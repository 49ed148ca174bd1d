//! A burst as its sums, and the statistics that follow from them exactly.

/// Conversions taken together by the probe, as sums of their raw codes.
///
/// The sums are exact integers, so the statistics have no cancellation however long the burst and
/// however small its deviation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Burst {
    /// Number of conversions.
    pub n: u32,
    /// Sum of the codes.
    pub sum: u64,
    /// Sum of their squares.
    pub sumsq: u64,
    /// Smallest code.
    pub min: u16,
    /// Largest code.
    pub max: u16,
    /// Sum of each code times the next, as sent; see [`Burst::lag1`].
    pub lag1: u64,
    /// Code at the 1 % quantile, nearest rank.
    pub q01: u16,
    /// Code at the 99 % quantile, nearest rank.
    pub q99: u16,
}

impl Burst {
    /// Mean code.
    pub fn mean(&self) -> f64 {
        self.sum as f64 / f64::from(self.n)
    }

    /// Sample standard deviation in codes, with n - 1 below the line; 0 for a single conversion.
    pub fn sd(&self) -> f64 {
        if self.n < 2 {
            return 0.0;
        }
        let n = f64::from(self.n);
        (self.scatter(self.sumsq) as f64 / n / (n - 1.0)).sqrt()
    }

    /// Lag-1 autocorrelation of the codes, the product of the last code with the first included
    /// (a burst spans whole mains periods, so its end meets its start).
    ///
    /// `None` when all codes are equal, or when the sums do not belong together.
    pub fn lag1(&self) -> Option<f64> {
        let spread = self.scatter(self.sumsq);
        let r = self.scatter(self.lag1) as f64 / spread as f64;
        (spread > 0 && r.abs() <= 1.0).then_some(r)
    }

    /// n times a sum of products, less the square of the sum: n times the sum of the products of
    /// the deviations from the mean, as an exact integer.
    fn scatter(&self, products: u64) -> i128 {
        i128::from(self.n) * i128::from(products) - i128::from(self.sum) * i128::from(self.sum)
    }

    /// Whether the figures can come from one burst: used to refuse a reply that cannot be true.
    pub(super) fn consistent(&self) -> bool {
        let n = u64::from(self.n);
        let within =
            |low: u16, sum: u64, high: u16| u64::from(low) * n <= sum && sum <= u64::from(high) * n;
        self.n > 0
            && self.min <= self.q01
            && self.q01 <= self.q99
            && self.q99 <= self.max
            && within(self.min, self.sum, self.max)
            && self.scatter(self.sumsq) >= 0
    }
}
