//! From numbers as sent to a temperature or another value that is no straight line of them.

use crate::scale::Scale;

/// Kelvin at 0 degC.
const ZERO_CELSIUS: f64 = 273.15;

/// How the resistance of a thermistor goes with its temperature.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Thermistor {
    /// `R = R0 exp(B (1/T - 1/T0))`, temperatures in kelvin.
    Beta {
        /// B in kelvin.
        beta: f64,
        /// Ohm at `t0`.
        r0: f64,
        /// Kelvin.
        t0: f64,
    },
    /// `1/T = a + b ln R + c (ln R)³` (Steinhart and Hart, Deep-Sea Research 15, 1968, 497).
    SteinhartHart {
        /// The constant.
        a: f64,
        /// Of the logarithm.
        b: f64,
        /// Of its cube.
        c: f64,
    },
}

impl Thermistor {
    /// The temperature in degC at a resistance in ohm; `None` unless that is positive and the result finite.
    pub fn celsius(&self, ohms: f64) -> Option<f64> {
        if !(ohms > 0.0 && ohms.is_finite()) {
            return None;
        }
        let inverse = match *self {
            Self::Beta { beta, r0, t0 } => 1.0 / t0 + (ohms / r0).ln() / beta,
            Self::SteinhartHart { a, b, c } => {
                let log = ohms.ln();
                a + b * log + c * log * log * log
            }
        };
        let celsius = 1.0 / inverse - ZERO_CELSIUS;
        (inverse > 0.0 && celsius.is_finite()).then_some(celsius)
    }
}

/// How a number as sent stands for the resistance of a sensor.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Sensing {
    /// The number times this is ohm.
    Ohms {
        /// Ohm for one.
        per_count: f64,
    },
    /// The number is the voltage at a divider, as a share of `full`.
    Divider {
        /// The other resistor in ohm.
        fixed_ohms: f64,
        /// The number at the full reference voltage.
        full: f64,
        /// The sensor is the lower part, at ground; else it is the upper part.
        sensor_at_ground: bool,
    },
}

impl Sensing {
    /// Ohm of the sensor; `None` at the ends, where the sensor is open or shorted.
    pub fn ohms(&self, raw: f64) -> Option<f64> {
        let ohms = match *self {
            Self::Ohms { per_count } => raw * per_count,
            Self::Divider { fixed_ohms, full, sensor_at_ground } => {
                let share = raw / full;
                if !(share > 0.0 && share < 1.0) {
                    return None;
                }
                let ratio = share / (1.0 - share);
                if sensor_at_ground { fixed_ohms * ratio } else { fixed_ohms / ratio }
            }
        };
        (ohms > 0.0 && ohms.is_finite()).then_some(ohms)
    }
}

/// A map from numbers as sent to billionths of the base unit.
#[derive(Clone, PartialEq, Debug)]
pub enum Curve {
    /// A thermistor, read as ohms or through a divider.
    Thermistor {
        /// Its law.
        law: Thermistor,
        /// How it is read.
        sensing: Sensing,
    },
    /// Straight lines between points; outside them there is no value.
    Table(Vec<(f64, i64)>),
}

impl Curve {
    /// A table of (number as sent, billionths of the base unit).
    ///
    /// `None` unless there are two points or more, in strictly rising order of the numbers, and all finite.
    pub fn table(points: Vec<(f64, i64)>) -> Option<Self> {
        let rising = points.windows(2).all(|pair| matches!(pair, [(a, _), (b, _)] if a < b));
        (points.len() >= 2 && rising && points.iter().all(|(raw, _)| raw.is_finite())).then_some(Self::Table(points))
    }

    /// The value in billionths of the base unit; `None` where the curve has none: an open or shorted sensor, a number
    /// outside the table.
    pub fn nanos(&self, raw: f64) -> Option<i64> {
        match self {
            Self::Thermistor { law, sensing } => {
                let nanos = law.celsius(sensing.ohms(raw)?)? * 1e9;
                #[expect(clippy::cast_possible_truncation, reason = "checked against the range")]
                (nanos.abs() < 9e18).then(|| nanos.round_ties_even() as i64)
            }
            Self::Table(points) => {
                let after = points.partition_point(|(at, _)| *at <= raw);
                let last = points.len().checked_sub(1)?;
                let after = after.clamp(1, last);
                let ((from, low), (to, high)) = (*points.get(after - 1)?, *points.get(after)?);
                if !(from <= raw && raw <= to) {
                    return None;
                }
                #[expect(clippy::cast_precision_loss, reason = "a share of the way between two points")]
                let nanos = low as f64 + (high as f64 - low as f64) * ((raw - from) / (to - from));
                #[expect(clippy::cast_possible_truncation, reason = "between two integers")]
                Some(nanos.round_ties_even() as i64)
            }
        }
    }

    /// The whole number in `range` whose value is nearest; `None` where no number of the range has a value.
    ///
    /// Found by halving: each of these curves only rises or only falls where it has values.
    pub fn raw(&self, nanos: i64, range: (i64, i64)) -> Option<i64> {
        let (mut low, mut high) = (range.0.max(-(1 << 52)), range.1.min(1 << 52));
        let value = |raw: i64| {
            #[expect(clippy::cast_precision_loss, reason = "within 52 bits")]
            self.nanos(raw as f64)
        };
        // Step in from the ends to where there are values; tables and dividers have them inside.
        if let Self::Table(points) = self {
            #[expect(clippy::cast_possible_truncation, reason = "clamped to the range")]
            let (first, last) = (points.first()?.0.ceil() as i64, points.last()?.0.floor() as i64);
            (low, high) = (low.max(first), high.min(last));
        } else {
            low = low.max(1);
            if let Self::Thermistor { sensing: Sensing::Divider { full, .. }, .. } = self {
                #[expect(clippy::cast_possible_truncation, reason = "clamped to the range")]
                let most = (full.ceil() as i64).saturating_sub(1);
                high = high.min(most);
            }
        }
        let rising = value(low)? <= value(high)?;
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            if (value(middle)? <= nanos) == rising { low = middle } else { high = middle }
        }
        let distance = |raw: i64| value(raw).map(|found| found.abs_diff(nanos));
        if distance(high)? < distance(low)? { Some(high) } else { Some(low) }
    }
}

/// How numbers as sent become billionths of the base unit.
#[derive(Clone, PartialEq, Debug)]
pub enum Conversion {
    /// A straight line, exact.
    Linear(Scale),
    /// A curve, in binary floating point.
    Curve(Box<Curve>),
}

impl Conversion {
    /// The value of a whole number; `None` if it has none or it does not fit in 64 bits.
    #[expect(clippy::cast_precision_loss, reason = "a curve is binary floating point anyway")]
    pub fn nanos(&self, raw: i128) -> Option<i64> {
        match self {
            Self::Linear(scale) => scale.nanos(raw),
            Self::Curve(curve) => curve.nanos(raw as f64),
        }
    }

    /// As [`nanos`](Self::nanos), for numbers that fit in 64 bits.
    #[inline]
    pub fn nanos_of_integer(&self, raw: i64) -> Option<i64> {
        match self {
            Self::Linear(scale) => scale.nanos_of_integer(raw),
            Self::Curve(_) => self.nanos(raw.into()),
        }
    }

    /// The value of a number sent as a float.
    pub fn nanos_of_float(&self, raw: f64) -> Option<i64> {
        match self {
            Self::Linear(scale) => scale.nanos_of_float(raw),
            Self::Curve(curve) => curve.nanos(raw),
        }
    }

    /// The whole number in `range` to send for a value; the nearest one.
    pub fn raw(&self, nanos: i64, range: (i128, i128)) -> Option<i128> {
        match self {
            Self::Linear(scale) => Some(scale.raw(nanos).clamp(range.0, range.1)),
            Self::Curve(curve) => {
                let limit = |value: i128| i64::try_from(value).unwrap_or(if value < 0 { i64::MIN } else { i64::MAX });
                curve.raw(nanos, (limit(range.0), limit(range.1))).map(i128::from)
            }
        }
    }

    /// The step between neighbouring numbers in billionths, at least 1; for a curve the step where it is typical
    /// (thermistors: near 25 degC; tables: their mean step).
    pub fn resolution(&self) -> i64 {
        match self {
            Self::Linear(scale) => scale.resolution(),
            Self::Curve(curve) => {
                let near = match curve.as_ref() {
                    Curve::Thermistor { .. } => curve.raw(25_000_000_000, (1, 1 << 40)),
                    Curve::Table(points) => points.get(points.len() / 2 - 1).map(|(raw, _)| raw.ceil() as i64),
                };
                #[expect(clippy::cast_precision_loss, reason = "numbers as sent are small")]
                near.and_then(|raw| Some(curve.nanos(raw as f64 + 1.0)?.abs_diff(curve.nanos(raw as f64)?)))
                    .and_then(|step| i64::try_from(step).ok())
                    .unwrap_or(1)
                    .max(1)
            }
        }
    }

    /// Whether it is exact.
    pub fn is_exact(&self) -> bool {
        matches!(self, Self::Linear(_))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: Option<f64>, expected: f64, within: f64) {
        let got = got.expect("a value");
        assert!((got - expected).abs() <= within, "{got}, expected {expected}");
    }

    #[test]
    fn steinhart_hart_follows_published_coefficients() {
        // Coefficients of a common 10 k NTC, very widely published (read); equation: Steinhart & Hart 1968.
        let ntc = Thermistor::SteinhartHart { a: 1.129148e-3, b: 2.34125e-4, c: 8.76741e-8 };
        for (ohms, celsius) in
            [(32650.0, 0.0002), (19900.0, 10.0030), (10000.0, 24.9997), (4370.0, 44.9823), (1000.0, 87.1681)]
        {
            near(ntc.celsius(ohms), celsius, 5e-5);
        }
        // An instrument manual's printed table, fitted at 0, 25 and 50 degC: the other rows within 0.002 degC.
        let manual = Thermistor::SteinhartHart { a: 1.1041591e-3, b: 2.3891795e-4, c: 6.93163e-8 };
        for (ohms, celsius) in
            [(32128.0, 0.0), (19549.0, 10.0), (12262.0, 20.0), (9814.0, 25.0), (7908.0, 30.0), (3542.0, 50.0)]
        {
            near(manual.celsius(ohms), celsius, 2.5e-3);
        }
    }

    #[test]
    fn beta_follows_its_closed_form() {
        let ntc = |beta| Thermistor::Beta { beta, r0: 10_000.0, t0: 298.15 };
        for (beta, ohms, celsius) in [
            (3950.0, 105_384.69, -20.0),
            (3950.0, 33_620.60, 0.0),
            (3950.0, 4_348.14, 45.0),
            (3950.0, 697.52, 100.0),
            (3435.0, 28_704.29, 0.0),
            (3380.0, 3_039.19, 60.0),
            (3950.0, 20_000.0, 10.1765),
            (3950.0, 1_000.0, 87.7197),
        ] {
            near(ntc(beta).celsius(ohms), celsius, 5e-4);
        }
    }

    #[test]
    fn a_divider_gives_the_counts_of_the_closed_form() {
        // 10 k pull-up, 12 bit, NTC to ground, B 3950: 3156.22, 2047.5, 1240.97, 815.37 counts (closed form).
        let curve = Curve::Thermistor {
            law: Thermistor::Beta { beta: 3950.0, r0: 10_000.0, t0: 298.15 },
            sensing: Sensing::Divider { fixed_ohms: 10_000.0, full: 4095.0, sensor_at_ground: true },
        };
        for (counts, celsius) in [(3156.22, 0.0), (2047.5, 25.0), (1240.97, 45.0), (815.37, 60.0)] {
            let nanos = curve.nanos(counts).expect("a value");
            assert!((nanos - celsius_nanos(celsius)).abs() < 1_000_000, "{counts}: {nanos}");
        }
        // Open: full scale, shorted: zero. Neither is a temperature.
        assert_eq!((curve.nanos(4095.0), curve.nanos(0.0)), (None, None));
        for counts in [1, 100, 815, 2048, 3156, 4094] {
            assert_eq!(curve.raw(curve.nanos(f64::from(counts)).expect("a value"), (0, 4095)), Some(i64::from(counts)));
        }
    }

    #[expect(clippy::cast_possible_truncation, reason = "small")]
    fn celsius_nanos(celsius: f64) -> i64 {
        (celsius * 1e9) as i64
    }

    #[test]
    fn a_table_has_no_value_outside() {
        let table = Curve::table(vec![(0.0, 0), (10.0, 1000), (20.0, 1500)]).expect("rising");
        assert_eq!(
            [-0.1, 0.0, 5.0, 10.0, 15.0, 20.0, 20.1].map(|raw| table.nanos(raw)),
            [None, Some(0), Some(500), Some(1000), Some(1250), Some(1500), None]
        );
        assert_eq!(table.raw(1240, (0, 255)), Some(15));
        assert_eq!(Curve::table(vec![(1.0, 0), (1.0, 5)]), None);
        assert_eq!(Curve::table(vec![(1.0, 0)]), None);
        assert_eq!(Curve::table(vec![(f64::NAN, 0), (1.0, 5)]), None);
    }
}
