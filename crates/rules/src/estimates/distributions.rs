//! Probabilities that estimates need: Student's t, Fisher's F, and Fisher's exact test.

/// The natural logarithm of the gamma function for a positive argument, to about fourteen digits.
///
/// Stirling's series with the argument raised to at least 15, where its next term is below the precision of `f64`.
fn ln_gamma(argument: f64) -> f64 {
    const SHIFT: f64 = 15.0;
    const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_8;
    let (mut x, mut product) = (argument, 1.0);
    while x < SHIFT {
        product *= x;
        x += 1.0;
    }
    let inverse_square = 1.0 / (x * x);
    let terms = [1.0 / 12.0, -1.0 / 360.0, 1.0 / 1260.0, -1.0 / 1680.0, 1.0 / 1188.0, -691.0 / 360_360.0];
    let series = terms.iter().rev().fold(0.0, |sum, term| sum * inverse_square + term) / x;
    (x - 0.5) * x.ln() - x + HALF_LN_TWO_PI + series - product.ln()
}

/// The regularised incomplete beta function I_x(a, b) for positive `a` and `b` and `x` in 0 to 1.
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if 1.0 <= x {
        return 1.0;
    }
    // The continued fraction converges fast on this side of the mean only.
    if (a + 1.0) / (a + b + 2.0) < x {
        return 1.0 - incomplete_beta_below(b, a, 1.0 - x);
    }
    incomplete_beta_below(a, b, x)
}

/// By the continued fraction of the function (Lentz's method), for `x` below the mean.
fn incomplete_beta_below(a: f64, b: f64, x: f64) -> f64 {
    const MOST_TERMS: u32 = 10_000;
    const TINY: f64 = 1e-300;
    let nonzero = |value: f64| if value.abs() < TINY { TINY } else { value };
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp() / a;
    let mut upper = 1.0;
    let mut lower = 1.0 / nonzero(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = lower;
    for term in 1..MOST_TERMS {
        let m = f64::from(term);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let before = fraction;
        for step in [even, odd] {
            lower = 1.0 / nonzero(1.0 + step * lower);
            upper = nonzero(1.0 + step / upper);
            fraction *= lower * upper;
        }
        if (fraction - before).abs() <= f64::EPSILON * fraction.abs() {
            break;
        }
    }
    (front * fraction).clamp(0.0, 1.0)
}

/// How likely a value of Fisher's F distribution is to be at least `f`; `None` unless all are finite, the degrees of
/// freedom positive and `f` not negative.
pub fn f_upper(f: f64, freedom_above: f64, freedom_below: f64) -> Option<f64> {
    let sound = [f, freedom_above, freedom_below].iter().all(|value| value.is_finite());
    if !sound || f < 0.0 || freedom_above <= 0.0 || freedom_below <= 0.0 {
        return None;
    }
    let share = freedom_below / (freedom_below + freedom_above * f);
    Some(incomplete_beta(freedom_below / 2.0, freedom_above / 2.0, share))
}

/// How likely a value of Student's t distribution is to be at least `t` away from zero, on either side.
pub fn student_two_sided(t: f64, freedom: f64) -> Option<f64> {
    f_upper(t * t, 1.0, freedom)
}

/// The t beyond which, on both sides together, `outside` of Student's distribution lies: 0.05 for a 95 % interval.
///
/// `None` unless `outside` lies between 0 and 1 and there is at least one degree of freedom.
///
/// ```
/// let t = rules::estimates::distributions::student_limit(0.05, 10.0).unwrap();
/// assert!((t - 2.228_138_9).abs() < 1e-6);
/// ```
pub fn student_limit(outside: f64, freedom: f64) -> Option<f64> {
    if !(1e-12 < outside && outside < 1.0 && 1.0 <= freedom && freedom.is_finite()) {
        return None;
    }
    let (mut low, mut high) = (0.0, 1.0);
    while outside < student_two_sided(high, freedom)? {
        high *= 2.0;
    }
    // Halving gains a binary digit each time; 80 are more than there are.
    for _ in 0..80 {
        let middle = (low + high) / 2.0;
        if outside < student_two_sided(middle, freedom)? {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some((low + high) / 2.0)
}

/// How often chance alone puts at least as many hits on the first side as there are (Fisher's exact test, one-sided):
/// `(hits, misses)` on either side. Beyond a billion of all together they are scaled down, which claims less.
///
/// ```
/// // Fisher's tea: 3 of 4 and 1 of 4.
/// let p = rules::estimates::distributions::fisher_exact((3, 1), (1, 3));
/// assert!((p - 17.0 / 70.0).abs() < 1e-12);
/// ```
pub fn fisher_exact(first: (u64, u64), second: (u64, u64)) -> f64 {
    const MOST: f64 = 1e9;
    let counts = [first.0, first.1, second.0, second.1].map(|count| count as f64);
    let scale = (MOST / counts.iter().sum::<f64>()).min(1.0);
    let [seen, first_misses, second_hits, second_misses] = counts.map(|count| (count * scale).floor());
    let (hits, drawn) = (seen + second_hits, seen + first_misses);
    let all = drawn + second_hits + second_misses;
    let draw = Draw { hits, drawn, all };
    if all <= 0.0 || seen <= draw.least() {
        return 1.0;
    }
    // The tail away from the mean is summed, from its largest term outwards.
    if hits * drawn / all < seen {
        draw.tail_up(seen).min(1.0)
    } else {
        (1.0 - draw.tail_down(seen - 1.0)).clamp(0.0, 1.0)
    }
}

/// Drawing without putting back: so many hits among all, so many drawn.
struct Draw {
    hits: f64,
    drawn: f64,
    all: f64,
}

impl Draw {
    fn least(&self) -> f64 {
        (self.hits + self.drawn - self.all).max(0.0)
    }

    fn most(&self) -> f64 {
        self.hits.min(self.drawn)
    }

    /// The probability of exactly so many hits (hypergeometric distribution).
    fn probability(&self, seen: f64) -> f64 {
        let ln_choose = |of: f64, taken: f64| ln_gamma(of + 1.0) - ln_gamma(taken + 1.0) - ln_gamma(of - taken + 1.0);
        let missed = self.drawn - seen;
        (ln_choose(self.hits, seen) + ln_choose(self.all - self.hits, missed) - ln_choose(self.all, self.drawn)).exp()
    }

    /// The probability of one more hit over that of `seen` hits.
    fn ratio_up(&self, seen: f64) -> f64 {
        (self.hits - seen) * (self.drawn - seen) / ((seen + 1.0) * (self.all - self.hits - self.drawn + seen + 1.0))
    }

    fn tail_up(&self, from: f64) -> f64 {
        let (mut seen, mut term, mut sum) = (from, self.probability(from), 0.0);
        while seen <= self.most() && sum * f64::EPSILON < term {
            sum += term;
            term *= self.ratio_up(seen);
            seen += 1.0;
        }
        sum
    }

    fn tail_down(&self, from: f64) -> f64 {
        let (mut seen, mut term, mut sum) = (from, self.probability(from), 0.0);
        while self.least() <= seen && sum * f64::EPSILON < term {
            sum += term;
            seen -= 1.0;
            term /= self.ratio_up(seen);
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factorials() {
        let mut factorial: f64 = 1.0;
        for n in 1..30 {
            factorial *= f64::from(n);
            let found = ln_gamma(f64::from(n) + 1.0);
            assert!((found - factorial.ln()).abs() < 1e-13 * found.abs().max(1.0), "{n}: {found}");
        }
        let half = ln_gamma(0.5);
        assert!((half - std::f64::consts::PI.sqrt().ln()).abs() < 1e-14);
    }

    #[test]
    fn nonsense_has_no_probability() {
        assert_eq!(f_upper(f64::NAN, 1.0, 1.0), None);
        assert_eq!(f_upper(-1.0, 1.0, 1.0), None);
        assert_eq!(f_upper(1.0, 0.0, 1.0), None);
        for (outside, freedom) in [(0.0, 3.0), (1.0, 3.0), (0.05, 0.0), (0.05, f64::NAN), (f64::NAN, 3.0)] {
            assert_eq!(student_limit(outside, freedom), None);
        }
    }

    #[test]
    fn empty_tables_prove_nothing() {
        for table in [((0, 0), (0, 0)), ((0, 5), (5, 0)), ((5, 0), (0, 0)), ((0, 0), (3, 3))] {
            let p = fisher_exact(table.0, table.1);
            assert!((p - 1.0).abs() < 1e-12, "{table:?}: {p}");
        }
        let huge = u64::MAX / 2;
        let p = fisher_exact((huge, huge), (huge, huge));
        assert!((0.0..=1.0).contains(&p));
    }
}
