//! What a copper conductor should have for a resistance.

/// Resistivity of annealed copper at 20 degC, in ohm mm2 / m: 1/58 (IEC 60028, 1925).
pub const RESISTIVITY: f64 = 1.0 / 58.0;
/// Its change for each degree, as a share of the value at 20 degC (IEC 60028).
pub const TEMPERATURE_COEFFICIENT: f64 = 0.003_93;

/// The cross-section of a solid wire of an American wire gauge, in mm2 (ASTM B258): 2, 10, 24; 0 is 1/0, -3 is 4/0.
/// `None` outside -3 to 40.
pub fn gauge_area(gauge: i32) -> Option<f64> {
    if !(-3..=40).contains(&gauge) {
        return None;
    }
    let diameter = 0.127 * 92.0_f64.powf(f64::from(36 - gauge) / 39.0);
    Some(std::f64::consts::PI / 4.0 * diameter * diameter)
}

/// The resistance of a copper conductor, in ohms. `length` in metres, there and back where both carry the current; `area`
/// in mm2; `temperature` in degC. `None` if a number is not finite, or a length or area not positive.
pub fn resistance(length: f64, area: f64, temperature: f64) -> Option<f64> {
    if !(0.0 < length && 0.0 < area) {
        return None;
    }
    let ohms = RESISTIVITY * length / area * (1.0 + TEMPERATURE_COEFFICIENT * (temperature - 20.0));
    (ohms.is_finite() && 0.0 < ohms).then_some(ohms)
}

/// Copper and contacts in series.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Wiring {
    /// Length of the conductor, there and back, in metres.
    pub length: f64,
    /// Its cross-section in mm2.
    pub area: f64,
    /// Contacts in the way: two for each connector that both conductors go through.
    pub contacts: u32,
    /// The resistance of each, in ohms.
    pub contact: f64,
}

impl Wiring {
    /// What it should have at this temperature in degC, in ohms; `None` if the facts make no sense.
    pub fn expected(&self, temperature: f64) -> Option<f64> {
        let contacts = f64::from(self.contacts) * self.contact;
        let ohms = resistance(self.length, self.area, temperature)? + contacts;
        (ohms.is_finite() && 0.0 <= contacts).then_some(ohms)
    }
}
