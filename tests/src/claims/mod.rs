//! What is claimed of the program, each as a function that finds out. Tests want them to hold, `proof` prints them.

pub mod amplitude;
pub mod conventional;
pub mod estimator;
pub mod identity;
pub mod main_job;
pub mod outside;
pub mod pace;
pub mod records;
pub mod rig;
pub mod suites;
pub mod ten_points;
pub mod trips;
pub mod watched;
