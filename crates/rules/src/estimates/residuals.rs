//! How far each cell is from the median of its set.

/// The distance of each cell from the median, of one set.
#[derive(Clone, Debug, Default)]
pub struct Residuals {
    median: Option<i64>,
    apart: Vec<Option<i64>>,
    scratch: Vec<i64>,
}

impl Residuals {
    /// Takes a set, in billionths of a volt; `None` where a cell is absent.
    pub fn set(&mut self, cells: &[Option<i64>]) {
        self.scratch.clear();
        self.scratch.extend(cells.iter().flatten());
        let median = crate::statistics::median(&mut self.scratch);
        self.set_about(cells, median);
    }

    /// The same with the median that the set is known to have.
    pub(crate) fn set_about(&mut self, cells: &[Option<i64>], median: Option<i64>) {
        self.median = median;
        self.apart.clear();
        self.apart.extend(cells.iter().map(|cell| Some(cell.as_ref()?.saturating_sub(median?))));
    }

    /// The median of the set; `None` if no cell has a value.
    pub fn median(&self) -> Option<i64> {
        self.median
    }

    /// The distance of each cell from the median, in billionths of a volt; `None` where it is absent.
    pub fn apart(&self) -> &[Option<i64>] {
        &self.apart
    }
}
