//! Instruments that speak Modbus, over TCP or as RTU on a serial line. What lies in which register is the rig file's.

pub mod ambient;
pub mod amplifier;
mod client;
pub mod contacts;
pub mod map;

#[cfg(test)]
mod tests_support;
