//! A continuous acquisition over TCP, for boxes with a small agent in them. FRAMES.md beside this crate's sources says what
//! goes over the wire.

pub mod acquisition;
pub mod frame;
