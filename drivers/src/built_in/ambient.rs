//! What every ambient sensor's reading is looked at for, before it passes as one.

use crate::roles::AmbientReading;
use plan_schema::units::{Celsius, Fraction};

/// A reading from °C and % of relative humidity.
///
/// # Errors
/// Where no room is like that: a sensor that is broken, or settings that mean another register or scale.
pub(super) fn reading(temperature: f64, humidity: Option<f64>) -> Result<AmbientReading, String> {
    // Written so that what is no number is refused.
    if !(-40.0..=85.0).contains(&temperature) {
        return Err(format!(
            "{temperature} °C is no temperature of a room; look at the sensor, its scale and its place"
        ));
    }
    if let Some(humidity) = humidity.filter(|h| !(0.0..=100.0).contains(h)) {
        return Err(format!(
            "{humidity} % is no relative humidity; look at the sensor, its scale and its place"
        ));
    }
    Ok(AmbientReading {
        temperature: Celsius::new(temperature),
        humidity: humidity.map(|h| Fraction::new(h / 100.0)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_room_is_like_that() {
        assert!((reading(23.0, Some(45.0)).unwrap().humidity.unwrap().si() - 0.45).abs() < 1e-12);
        for (temperature, humidity) in
            [(2300.0, None), (f64::NAN, None), (23.0, Some(101.0)), (23.0, Some(-1.0))]
        {
            assert!(reading(temperature, humidity).is_err());
        }
    }
}
