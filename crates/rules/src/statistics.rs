//! The statistics that checks and estimates rest on: robust centre and outliers, running mean and variance, a line.
//!
//! Pure functions and plain accumulators. Too few values, or values that leave the answer undefined, are `None`.

/// The median, in the unit of the values; `None` of no values.
///
/// Of an even count it is the mean of the middle two, and a half is rounded away from zero: of 1 and 2 it is 2, of -1
/// and -2 it is -2. Reorders `values`.
///
/// ```
/// assert_eq!(rules::statistics::median(&mut [3797, 3836, 3840, 3844]), Some(3838));
/// ```
pub fn median(values: &mut [i64]) -> Option<i64> {
    let middle = values.len() / 2;
    if values.is_empty() {
        return None;
    }
    let odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable(middle);
    let upper = *upper;
    match below.iter().max() {
        Some(lower) if !odd => Some(midpoint(*lower, upper)),
        _ => Some(upper),
    }
}

/// The mean of two values, a half rounded away from zero. Never overflows.
fn midpoint(one: i64, two: i64) -> i64 {
    let sum = i128::from(one) + i128::from(two);
    let away = (sum + sum.signum()) / 2;
    // The mean lies between the two, so it always fits.
    i64::try_from(away).unwrap_or(one)
}

/// Where a set of values lies and how far they usually lie from there, unmoved by a few that are far off.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Centre {
    /// The [`median`], in the unit of the values.
    pub median: i64,
    /// The median absolute deviation (MAD): the median of the distances from `median`. In the unit of the values.
    ///
    /// Zero if more than half of the values are the same, which is common for cells that are measured in steps of some
    /// millivolts.
    pub mad: i64,
}

impl Centre {
    /// Of these values; `None` of no values. `scratch` is overwritten, so that a caller who keeps it need not allocate.
    pub fn of(values: &[i64], scratch: &mut Vec<i64>) -> Option<Self> {
        scratch.clear();
        scratch.extend_from_slice(values);
        let median = median(scratch)?;
        for value in scratch.iter_mut() {
            *value = i64::try_from(value.abs_diff(median)).unwrap_or(i64::MAX);
        }
        Some(Self { median, mad: self::median(scratch)? })
    }

    /// How far `value` lies from the median in units of the usual distance: the modified z-score, 0.6745 x (value -
    /// median) / MAD. Beyond 3.5 in either direction a value is often called an outlier (Iglewicz and Hoaglin, 1993).
    ///
    /// `floor` stands in for a MAD that is smaller: take one step of the measurement, since a MAD of zero makes any
    /// difference infinitely large. `None` if both are zero or less.
    pub fn modified_z(&self, value: i64, floor: i64) -> Option<f64> {
        let unit = self.mad.max(floor);
        if unit <= 0 {
            return None;
        }
        let distance = i128::from(value) - i128::from(self.median);
        Some(QUARTILE_OF_NORMAL * distance as f64 / unit as f64)
    }

    /// The standard deviation of a normal distribution with this MAD: 1.4826 times as large.
    pub fn deviation(&self) -> f64 {
        self.mad as f64 / QUARTILE_OF_NORMAL
    }
}

/// A quarter of a normal distribution lies beyond this many standard deviations on one side.
pub(crate) const QUARTILE_OF_NORMAL: f64 = 0.674_489_750_196_081_7;

/// Mean and variance of values that come one at a time (Welford's method), in constant memory.
///
/// Keeps its precision where the textbook sum of squares loses all of it: a small variance around a large mean.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Running {
    count: u64,
    mean: f64,
    /// The sum of the squared distances from the mean.
    squares: f64,
}

impl Running {
    /// Takes one value in. One that is not finite is left out and not counted.
    pub fn push(&mut self, value: f64) {
        if !value.is_finite() {
            return;
        }
        self.count += 1;
        let before = value - self.mean;
        self.mean += before / self.count as f64;
        self.squares += before * (value - self.mean);
    }

    /// How many values were taken in.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The mean; `None` of no values, or if values were too large to calculate with.
    pub fn mean(&self) -> Option<f64> {
        (0 < self.count).then_some(self.mean).filter(|mean| mean.is_finite())
    }

    /// The sample variance, divided by one less than the count; `None` of fewer than two values, or if values were too
    /// large to calculate with.
    pub fn variance(&self) -> Option<f64> {
        variance(self.count, self.squares)
    }

    /// The sample standard deviation, in the unit of the values; `None` of fewer than two values.
    pub fn deviation(&self) -> Option<f64> {
        self.variance().map(f64::sqrt)
    }
}

fn variance(count: u64, squares: f64) -> Option<f64> {
    (1 < count).then(|| squares / (count - 1) as f64).filter(|variance| variance.is_finite())
}

/// The [`Running::deviation`] of so many values whose squared distances from their mean add up to `squares`.
pub(crate) fn deviation(count: u64, squares: f64) -> Option<f64> {
    variance(count, squares).map(f64::sqrt)
}

impl Extend<f64> for Running {
    fn extend<I: IntoIterator<Item = f64>>(&mut self, values: I) {
        for value in values {
            self.push(value);
        }
    }
}

impl FromIterator<f64> for Running {
    fn from_iter<I: IntoIterator<Item = f64>>(values: I) -> Self {
        let mut running = Self::default();
        running.extend(values);
        running
    }
}

/// A straight line through points by least squares, `y = intercept + slope x`, and how well it is known.
///
/// The errors take for granted that `x` is exact and that the residuals are independent with one common deviation.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Line {
    /// How many points it rests on; at least three.
    pub points: u64,
    /// The change of `y` for a change of one in `x`.
    pub slope: f64,
    /// `y` where `x` is zero.
    pub intercept: f64,
    /// The standard error of the slope.
    pub slope_error: f64,
    /// The standard error of the intercept.
    pub intercept_error: f64,
    /// The standard deviation of the residuals, with two degrees of freedom less than points; in the unit of `y`.
    pub residual_deviation: f64,
    /// The part of the variance of `y` that the line explains, 0 to 1 (R squared). `None` if all `y` are the same.
    pub explained: Option<f64>,
}

impl Line {
    /// Through these points `(x, y)`, which are gone through three times.
    ///
    /// `None` of fewer than three points (two always fit and say nothing of the error), if all `x` are the same, if a
    /// value is not finite, or if the numbers are so large or small that the calculation leaves the range of `f64`.
    ///
    /// ```
    /// use rules::statistics::Line;
    ///
    /// let volts_at_amps = [(0.0, 4.000), (10.0, 3.981), (20.0, 3.960), (30.0, 3.939)];
    /// let line = Line::through(volts_at_amps.iter().copied()).unwrap();
    /// assert!((line.slope + 0.00204).abs() < 1e-9);
    /// ```
    pub fn through(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<Self> {
        let (mut x_all, mut y_all, mut count) = (Running::default(), Running::default(), 0_u64);
        for (x, y) in points.clone() {
            x_all.push(x);
            y_all.push(y);
            count += 1;
        }
        if count < 3 || x_all.count() < count || y_all.count() < count {
            return None;
        }
        let (x_mean, y_mean) = (x_all.mean()?, y_all.mean()?);

        // Around the means of a first pass, not from sums of raw products: large offsets then cost no digits.
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for (x, y) in points.clone() {
            let (x, y) = (x - x_mean, y - y_mean);
            xx += x * x;
            xy += x * y;
            yy += y * y;
        }
        if !xx.is_normal() || !yy.is_finite() {
            return None;
        }
        let slope = xy / xx;

        // From the residuals themselves: `yy - slope * xy` would cancel where the line fits well.
        let mut left: f64 = 0.0;
        for (x, y) in points {
            let residual = (y - y_mean) - slope * (x - x_mean);
            left += residual * residual;
        }
        let freedom = (count - 2) as f64;
        let residual_deviation = (left / freedom).sqrt();
        let line = Self {
            points: count,
            slope,
            intercept: y_mean - slope * x_mean,
            slope_error: residual_deviation / xx.sqrt(),
            intercept_error: residual_deviation * (1.0 / count as f64 + x_mean * x_mean / xx).sqrt(),
            residual_deviation,
            explained: (0.0 < yy).then(|| (1.0 - left / yy).clamp(0.0, 1.0)),
        };
        line.is_finite().then_some(line)
    }

    /// `y` on the line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    fn is_finite(&self) -> bool {
        [self.slope, self.intercept, self.slope_error, self.intercept_error, self.residual_deviation]
            .iter()
            .chain(&self.explained)
            .all(|value| value.is_finite())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn median_of_few_values() {
        for (values, expected) in [
            (vec![], None),
            (vec![5], Some(5)),
            (vec![2, 1], Some(2)),
            (vec![-2, -1], Some(-2)),
            (vec![-1, 2], Some(1)),
            (vec![-2, 1], Some(-1)),
            (vec![1, -1], Some(0)),
            (vec![9, 1, 5], Some(5)),
            (vec![4, 4, 4, 4], Some(4)),
            (vec![7, 1, 3, 100], Some(5)),
            (vec![i64::MAX, i64::MAX], Some(i64::MAX)),
            (vec![i64::MIN, i64::MIN], Some(i64::MIN)),
            (vec![i64::MIN, i64::MAX], Some(-1)),
            (vec![i64::MAX - 1, i64::MAX], Some(i64::MAX)),
        ] {
            let shown = values.clone();
            assert_eq!(median(&mut { values }), expected, "{shown:?}");
        }
    }

    #[test]
    fn median_agrees_with_sorting() {
        let mut state = 0x5EED_0002_u64;
        for len in 1..60 {
            let mut values: Vec<i64> = (0..len)
                .map(|_| {
                    state ^= state << 13;
                    state ^= state >> 7;
                    state ^= state << 17;
                    (state % 40) as i64 - 20
                })
                .collect();
            let found = median(&mut values.clone());
            values.sort_unstable();
            let (low, high) = (values[(values.len() - 1) / 2], values[values.len() / 2]);
            let expected = ((low + high) as f64 / 2.0).round() as i64;
            assert_eq!(found, Some(expected), "{values:?}");
        }
    }

    #[test]
    fn a_centre_needs_values_and_a_score_needs_a_unit() {
        let mut scratch = vec![1, 2, 3];
        assert_eq!(Centre::of(&[], &mut scratch), None);
        let flat = Centre::of(&[3840, 3840, 3840, 3797], &mut scratch).unwrap();
        assert_eq!(flat, Centre { median: 3840, mad: 0 });
        assert_eq!(flat.modified_z(3797, 0), None);
        assert!((flat.modified_z(3797, 2).unwrap() + 14.501_529_6).abs() < 1e-6);
    }

    #[test]
    fn values_at_the_ends_of_the_range_do_not_overflow() {
        let centre = Centre::of(&[i64::MIN, i64::MAX, i64::MAX], &mut Vec::new()).unwrap();
        assert_eq!(centre, Centre { median: i64::MAX, mad: 0 });
        assert!(centre.modified_z(i64::MIN, 1).unwrap() < -1e19);
        let centre = Centre::of(&[i64::MIN, i64::MIN, i64::MAX], &mut Vec::new()).unwrap();
        assert_eq!(centre.median, i64::MIN);
    }

    #[test]
    fn running_values_of_nothing_are_none() {
        let mut running = Running::default();
        running.push(f64::NAN);
        running.push(f64::INFINITY);
        assert_eq!((running.count(), running.mean(), running.variance()), (0, None, None));
        running.push(3.0);
        assert_eq!((running.mean(), running.variance(), running.deviation()), (Some(3.0), None, None));
        running.push(5.0);
        assert_eq!((running.mean(), running.variance()), (Some(4.0), Some(2.0)));
        running.extend([1e308, -1e308]);
        assert_eq!((running.count(), running.variance()), (4, None));
    }

    #[test]
    fn a_line_needs_three_points_apart_in_x() {
        let through = |points: &[(f64, f64)]| Line::through(points.iter().copied());
        assert_eq!(through(&[]), None);
        assert_eq!(through(&[(0.0, 0.0), (1.0, 1.0)]), None);
        assert_eq!(through(&[(2.0, 0.0), (2.0, 1.0), (2.0, 2.0)]), None);
        assert_eq!(through(&[(0.0, 0.0), (1.0, f64::NAN), (2.0, 2.0)]), None);
        assert_eq!(through(&[(0.0, 0.0), (f64::INFINITY, 1.0), (2.0, 2.0)]), None);
        assert_eq!(through(&[(-1e300, 0.0), (0.0, 1.0), (1e300, 2.0)]), None);
        assert_eq!(through(&[(0.0, -1e300), (1.0, 0.0), (2.0, 1e300)]), None);
        assert_eq!(through(&[(20.1, 1.0), (20.1, 2.0), (20.1, 4.0), (20.1, 3.0)]), None);
        let exact = through(&[(0.0, 1.0), (1.0, 3.0), (2.0, 5.0)]).unwrap();
        assert_eq!((exact.slope, exact.intercept, exact.residual_deviation), (2.0, 1.0, 0.0));
        assert_eq!((exact.explained, exact.at(4.0)), (Some(1.0), 9.0));
        let level = through(&[(0.0, 1.0), (1.0, 1.0), (2.0, 1.0)]).unwrap();
        assert_eq!((level.slope, level.explained), (0.0, None));
    }
}
