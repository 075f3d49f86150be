//! The data of a Cox regression: stretches of time with their covariates.

/// One stretch `(start, stop]` of one subject.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row<'a> {
    /// From when at risk (excluded).
    pub start: f64,
    /// Until when at risk (included).
    pub stop: f64,
    /// Whether the event came at `stop`.
    pub event: bool,
    /// Values that hold throughout.
    pub covariates: &'a [f64],
    /// Subjects are compared only within a stratum.
    pub stratum: u32,
    /// Rows of one cluster (one subject, or one infusion with several filters) may depend on each other.
    pub cluster: u32,
}

/// Rows by column. All covariates finite, `start < stop`.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Rows {
    pub(super) start: Vec<f64>,
    pub(super) stop: Vec<f64>,
    pub(super) event: Vec<bool>,
    pub(super) stratum: Vec<u32>,
    pub(super) cluster: Vec<u32>,
    /// Row after row.
    pub(super) x: Vec<f64>,
    pub(super) width: usize,
}

/// The same rows with each covariate centred and divided by its standard deviation.
pub(super) struct Scaled {
    pub(super) rows: Rows,
    pub(super) scale: Vec<f64>,
}

impl Rows {
    /// No rows yet, for so many covariates.
    pub fn new(covariates: usize) -> Self {
        Self {
            width: covariates,
            ..Self::default()
        }
    }

    /// Takes a row; `false` (and nothing taken) where its times or covariates are not finite, `start >= stop`, or the
    /// number of covariates is another.
    pub fn push(&mut self, row: Row) -> bool {
        let sound = row.start.is_finite()
            && row.stop.is_finite()
            && row.start < row.stop
            && row.covariates.len() == self.width
            && row.covariates.iter().all(|x| x.is_finite());
        if sound {
            self.start.push(row.start);
            self.stop.push(row.stop);
            self.event.push(row.event);
            self.stratum.push(row.stratum);
            self.cluster.push(row.cluster);
            self.x.extend_from_slice(row.covariates);
        }
        sound
    }

    /// Number of rows.
    pub fn len(&self) -> usize {
        self.start.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.start.is_empty()
    }

    /// Number of covariates.
    pub fn covariates(&self) -> usize {
        self.width
    }

    /// Number of events.
    pub fn events(&self) -> usize {
        self.event.iter().filter(|&&e| e).count()
    }

    /// The row of this number; it must exist.
    pub(super) fn x(&self, row: usize) -> &[f64] {
        &self.x[row * self.width..(row + 1) * self.width]
    }

    pub(super) fn scaled(&self) -> Scaled {
        let n = self.len() as f64;
        let column = |j: usize| self.x.iter().skip(j).step_by(self.width.max(1));
        let mut rows = self.clone();
        let mut scale = Vec::with_capacity(self.width);
        for j in 0..self.width {
            let mean = column(j).sum::<f64>() / n;
            let variance = column(j).map(|x| (x - mean) * (x - mean)).sum::<f64>() / n;
            // A constant column may differ from its own mean by rounding.
            let size = column(j).fold(0.0_f64, |a, x| a.max(x.abs()));
            let deviation = variance.sqrt();
            let constant = deviation <= 1e-12 * size;
            scale.push(if constant { 0.0 } else { deviation });
            for x in rows.x.iter_mut().skip(j).step_by(self.width) {
                *x = if constant {
                    0.0
                } else {
                    (*x - mean) / deviation
                };
            }
        }
        Scaled { rows, scale }
    }
}
