//! The doors of the daemon: who gets in, what may be asked, and how it is answered.

mod answers;
mod greedy;
mod identity;
mod live;
mod looks;
mod rig;
mod secrets;
mod sites;
mod tls;
