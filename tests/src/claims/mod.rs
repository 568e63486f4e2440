//! What is claimed of the program, each as a function that finds out. Tests want them to hold, `proof` prints them.

pub mod amplitude;
pub mod check_speed;
pub mod common_practice;
pub mod conventional;
pub mod coverage;
pub mod estimator;
pub mod formats;
pub mod graded;
pub mod hosts;
pub mod identity;
pub mod leave;
pub mod main_job;
pub mod outside;
pub mod pace;
pub mod peers;
pub mod reaction;
pub mod records;
pub mod release;
pub mod rig;
pub mod scheduled;
pub mod stops;
pub mod suites;
pub mod ten_points;
pub mod trips;
pub mod watched;
pub mod worked;
