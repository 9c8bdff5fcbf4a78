//! Least squares with any few unknowns, from rows that come one at a time.

/// Fits `y = sum of coefficient x column` to weighted rows, in constant memory.
///
/// Each row is turned into a triangle by Givens rotations, so that no digits are lost to products of large numbers.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LeastSquares<const N: usize> {
    rows: u64,
    triangle: [[f64; N]; N],
    right: [f64; N],
    /// The sum of the squares of what no coefficients can explain.
    left_over: f64,
}

/// The coefficients of a fit and what is known of them.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Solution<const N: usize> {
    /// How many rows it rests on.
    pub rows: u64,
    /// The coefficients.
    pub coefficients: [f64; N],
    /// Their variances and covariances if the rows had a standard deviation of one at weight one.
    pub unit_covariance: [[f64; N]; N],
    /// The standard deviation of the residuals at weight one; zero without a degree of freedom.
    pub residual_deviation: f64,
}

impl<const N: usize> Default for LeastSquares<N> {
    fn default() -> Self {
        Self { rows: 0, triangle: [[0.0; N]; N], right: [0.0; N], left_over: 0.0 }
    }
}

impl<const N: usize> LeastSquares<N> {
    /// Takes a row with a weight (the inverse of its variance, up to a common factor). A row that is not finite or has
    /// no weight is left out.
    pub fn push(&mut self, columns: [f64; N], y: f64, weight: f64) {
        let root = weight.sqrt();
        let row = columns.map(|column| column * root);
        let y = y * root;
        if !(0.0 < weight && y.is_finite() && row.iter().all(|value| value.is_finite())) {
            return;
        }
        self.rows += 1;
        let rotations = rotations(&mut self.triangle, row);
        self.left_over += turn(&rotations, &mut self.right, y);
    }

    /// How many rows were taken.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// The coefficients; `None` if there are fewer rows than coefficients, or the columns depend on each other.
    pub fn solve(&self) -> Option<Solution<N>> {
        if self.rows < N as u64 {
            return None;
        }
        self.solve_by(&self.inverse()?)
    }

    fn solve_by(&self, inverse: &[[f64; N]; N]) -> Option<Solution<N>> {
        let mut coefficients = [0.0; N];
        let mut unit_covariance = [[0.0; N]; N];
        for (row, line) in inverse.iter().enumerate() {
            coefficients[row] = line.iter().zip(&self.right).map(|(a, b)| a * b).sum();
            for (column, other) in inverse.iter().enumerate() {
                unit_covariance[row][column] = line.iter().zip(other).map(|(a, b)| a * b).sum();
            }
        }
        let freedom = self.rows - N as u64;
        let residual_deviation = if freedom == 0 { 0.0 } else { (self.left_over / freedom as f64).sqrt() };
        let sound = coefficients.iter().chain(unit_covariance.iter().flatten()).all(|value| value.is_finite());
        let solution = Solution { rows: self.rows, coefficients, unit_covariance, residual_deviation };
        (sound && residual_deviation.is_finite()).then_some(solution)
    }

    /// The inverse of the triangle, a triangle too.
    fn inverse(&self) -> Option<[[f64; N]; N]> {
        /// A column that adds less than this to what the others say is taken as depending on them.
        const LEAST_PART: f64 = 1e-14;
        let mut inverse = [[0.0; N]; N];
        for column in 0..N {
            let length = self.triangle.iter().fold(0.0_f64, |length, line| length.hypot(line[column]));
            if self.triangle[column][column].abs() <= LEAST_PART * length {
                return None;
            }
            inverse[column][column] = 1.0 / self.triangle[column][column];
            for row in (0..column).rev() {
                let sum: f64 = (row + 1..=column).map(|k| self.triangle[row][k] * inverse[k][column]).sum();
                inverse[row][column] = -sum / self.triangle[row][row];
            }
        }
        Some(inverse)
    }
}

/// Turns a row into the triangle. Returns cosine and sine of each turn, `None` where there was nothing to turn.
fn rotations<const N: usize>(triangle: &mut [[f64; N]; N], mut row: [f64; N]) -> [Option<(f64, f64)>; N] {
    let mut rotations = [None; N];
    for (place, (line, rotation)) in triangle.iter_mut().zip(&mut rotations).enumerate() {
        let length = line[place].hypot(row[place]);
        if length <= 0.0 {
            continue;
        }
        let (cos, sin) = (line[place] / length, row[place] / length);
        for (kept, new) in line.iter_mut().zip(&mut row).skip(place) {
            (*kept, *new) = (cos * *kept + sin * *new, cos * *new - sin * *kept);
        }
        *rotation = Some((cos, sin));
    }
    rotations
}

/// Turns the right side of a row in. Returns the square of what is left over.
fn turn<const N: usize>(rotations: &[Option<(f64, f64)>; N], right: &mut [f64; N], mut y: f64) -> f64 {
    for ((cos, sin), right) in rotations.iter().zip(right).filter_map(|(rotation, right)| Some(((*rotation)?, right))) {
        (*right, y) = (cos * *right + sin * y, cos * y - sin * *right);
    }
    y * y
}

/// Several fits with the same columns and weights in every row: number for number what a [`LeastSquares`] for each works
/// out, and most of the work is done once.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct SharedColumns<const N: usize> {
    rows: u64,
    triangle: [[f64; N]; N],
    /// By fit: the right side, and what is left over.
    rights: Vec<([f64; N], f64)>,
}

impl<const N: usize> SharedColumns<N> {
    /// So many fits.
    pub(super) fn new(fits: usize) -> Self {
        Self { rows: 0, triangle: [[0.0; N]; N], rights: vec![([0.0; N], 0.0); fits] }
    }

    /// Takes a row with a finite `y` for each fit. One without weight, or with a column that is not finite, is left out.
    pub(super) fn push(&mut self, columns: [f64; N], ys: impl Iterator<Item = f64>, weight: f64) {
        let root = weight.sqrt();
        let row = columns.map(|column| column * root);
        if !(0.0 < weight && row.iter().all(|value| value.is_finite())) {
            return;
        }
        self.rows += 1;
        let rotations = rotations(&mut self.triangle, row);
        for ((right, left_over), y) in self.rights.iter_mut().zip(ys) {
            *left_over += turn(&rotations, right, y * root);
        }
    }

    /// The coefficients of each fit, as [`LeastSquares::solve`].
    pub(super) fn solve(&self) -> impl Iterator<Item = Option<Solution<N>>> {
        let shared = LeastSquares { rows: self.rows, triangle: self.triangle, ..LeastSquares::default() };
        let inverse = if self.rows < N as u64 { None } else { shared.inverse() };
        self.rights.iter().map(move |(right, left_over)| {
            LeastSquares { right: *right, left_over: *left_over, ..shared }.solve_by(inverse.as_ref()?)
        })
    }
}

impl<const N: usize> Solution<N> {
    /// The standard error of a coefficient, from the residuals.
    pub fn error(&self, coefficient: usize) -> f64 {
        self.residual_deviation * self.unit_error(coefficient)
    }

    /// The standard error of a coefficient if a row of weight one has a standard deviation of one.
    pub fn unit_error(&self, coefficient: usize) -> f64 {
        self.unit_covariance.get(coefficient).and_then(|line| line.get(coefficient)).map_or(0.0, |value| value.sqrt())
    }

    /// The value of the fit at these columns.
    pub fn at(&self, columns: [f64; N]) -> f64 {
        self.coefficients.iter().zip(columns).map(|(coefficient, column)| coefficient * column).sum()
    }

    /// The standard error of the fit at these columns if a row of weight one has a standard deviation of one.
    pub fn unit_error_at(&self, columns: [f64; N]) -> f64 {
        let variance: f64 = self
            .unit_covariance
            .iter()
            .zip(columns)
            .map(|(line, column)| column * line.iter().zip(columns).map(|(value, other)| value * other).sum::<f64>())
            .sum();
        variance.max(0.0).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_little_has_no_solution() {
        let mut fit = LeastSquares::<2>::default();
        assert_eq!(fit.solve(), None);
        fit.push([1.0, 5.0], 2.0, 1.0);
        assert_eq!(fit.solve(), None);
        fit.push([1.0, 5.0], 3.0, 1.0);
        assert_eq!(fit.solve(), None, "both at the same place");
        fit.push([1.0, f64::NAN], 3.0, 1.0);
        fit.push([1.0, 7.0], f64::INFINITY, 1.0);
        fit.push([1.0, 7.0], 3.0, 0.0);
        fit.push([1.0, 7.0], 3.0, -1.0);
        assert_eq!((fit.rows(), fit.solve()), (2, None));
    }

    #[test]
    fn weights_count_as_repeated_rows() {
        let rows = [([1.0, 0.0], 1.0, 1), ([1.0, 1.0], 2.5, 3), ([1.0, 4.0], 5.0, 2)];
        let (mut weighted, mut repeated) = (LeastSquares::<2>::default(), LeastSquares::<2>::default());
        for (columns, y, times) in rows {
            weighted.push(columns, y, f64::from(times));
            for _ in 0..times {
                repeated.push(columns, y, 1.0);
            }
        }
        let (one, other) = (weighted.solve().unwrap(), repeated.solve().unwrap());
        for place in 0..2 {
            assert!((one.coefficients[place] - other.coefficients[place]).abs() < 1e-12);
            assert!((one.unit_error(place) - other.unit_error(place)).abs() < 1e-12);
        }
        assert!((one.at([1.0, 4.0]) - (one.coefficients[0] + 4.0 * one.coefficients[1])).abs() < 1e-12);
    }
}
