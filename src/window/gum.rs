//! The law of propagation of uncertainty (JCGM 100:2008, the GUM): standard uncertainties of
//! inputs through the slopes of a function to that of its result.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Standard uncertainty of something that lies anywhere between two limits, from half their
/// distance: `half / sqrt(3)` (GUM 4.3.7).
pub fn rectangular(half: f64) -> f64 {
    half / 3f64.sqrt()
}

/// Degrees of freedom of a standard uncertainty that may itself be wrong by the share `doubt`:
/// `1 / (2 doubt²)` (GUM G.4.2); infinite without doubt.
pub fn degrees(doubt: f64) -> f64 {
    0.5 / (doubt * doubt)
}

/// Estimates of the inputs of a measurement.
#[derive(Clone, Debug, Default)]
pub struct Inputs {
    /// Best estimates.
    pub values: Vec<f64>,
    /// Their standard uncertainties.
    pub u: Vec<f64>,
    /// Degrees of freedom of these.
    pub degrees: Vec<f64>,
    /// Correlation coefficients of pairs of inputs; pairs that are not named have none.
    pub correlation: Vec<(usize, usize, f64)>,
}

impl Inputs {
    /// Adds an input that is correlated with no other; returns its index.
    pub fn push(&mut self, value: f64, u: f64, degrees: f64) -> usize {
        self.values.push(value);
        self.u.push(u);
        self.degrees.push(degrees);
        self.values.len() - 1
    }

    /// Covariance of two results with the slopes `a` and `b` in the inputs (GUM F.1.2.3, H.2.3);
    /// with one result for both it is the square of its standard uncertainty (GUM 5.2.2).
    pub fn covariance(&self, a: &[f64], b: &[f64]) -> f64 {
        let alone: f64 = a.iter().zip(b).zip(&self.u).map(|((a, b), u)| a * b * u * u).sum();
        let pair = |&(i, j, r): &(usize, usize, f64)| {
            let get = |of: &[f64], i: usize| of.get(i).copied().unwrap_or(0.0);
            let both = get(a, i) * get(b, j) + get(a, j) * get(b, i);
            both * r * get(&self.u, i) * get(&self.u, j)
        };
        alone + self.correlation.iter().map(pair).sum::<f64>()
    }

    /// Uncertainty of a result, from a function that gives it and its slopes at any inputs.
    pub fn combine(&self, gradient: impl Fn(&[f64]) -> (f64, Vec<f64>)) -> Combined {
        let (value, slopes) = gradient(&self.values);
        let first = self.covariance(&slopes, &slopes).max(0.0);
        Combined {
            value,
            first: first.sqrt(),
            second: self.second_order(&slopes, gradient),
            degrees: self.effective_degrees(&slopes, first),
        }
    }

    /// Welch and Satterthwaite: `u⁴ / sum((c u)⁴ / degrees)` (GUM G.4.1). Correlations count in
    /// `u` only.
    fn effective_degrees(&self, slopes: &[f64], variance: f64) -> f64 {
        let shares = slopes.iter().zip(&self.u).zip(&self.degrees);
        let sum: f64 = shares.map(|((c, u), degrees)| (c * u).powi(4) / degrees).sum();
        if sum > 0.0 { variance * variance / sum } else { f64::INFINITY }
    }

    /// The terms of second order, `sum over i and j of (f_ij² / 2 + f_i f_ijj) u_i² u_j²` (GUM
    /// 5.1.2, note), for normal inputs. Correlated ones are first taken apart into independent
    /// ones of unit variance, of which they are sums. The derivatives of the slopes are taken over
    /// one standard uncertainty either way.
    fn second_order(&self, slopes: &[f64], gradient: impl Fn(&[f64]) -> (f64, Vec<f64>)) -> f64 {
        let apart = self.independent();
        let onto = |slopes: &[f64]| -> Vec<f64> {
            let along = |way: &Vec<f64>| way.iter().zip(slopes).map(|(w, s)| w * s).sum();
            apart.iter().map(along).collect()
        };
        let here = onto(slopes);
        let mut sum = 0.0;
        for way in apart.iter().filter(|w| w.iter().any(|x| *x != 0.0)) {
            let beside = |by: f64| {
                let moved = self.values.iter().zip(way).map(|(v, w)| v + by * w);
                onto(&gradient(&moved.collect::<Vec<f64>>()).1)
            };
            let (up, down) = (beside(1.0), beside(-1.0));
            for ((up, down), here) in up.iter().zip(&down).zip(&here) {
                let (bent, third) = ((up - down) / 2.0, up - 2.0 * here + down);
                sum += bent * bent / 2.0 + here * third;
            }
        }
        sum
    }

    /// Columns of the Cholesky factor of the covariance matrix: the inputs move by one of them for
    /// each unit of an independent quantity of unit variance.
    fn independent(&self) -> Vec<Vec<f64>> {
        let n = self.u.len();
        let mut rest = vec![vec![0.0; n]; n];
        for (i, u) in self.u.iter().enumerate() {
            rest[i][i] = u * u;
        }
        for &(i, j, r) in self.correlation.iter().filter(|(i, j, _)| *i < n && *j < n) {
            rest[i][j] = r * self.u[i] * self.u[j];
            rest[j][i] = rest[i][j];
        }
        let mut columns = Vec::with_capacity(n);
        for k in 0..n {
            let pivot = rest[k][k];
            let mut column = vec![0.0; n];
            // What earlier columns explain altogether leaves rounding only.
            if pivot > 1e-12 * self.u[k] * self.u[k] {
                for i in k..n {
                    column[i] = rest[i][k] / pivot.sqrt();
                }
                for i in k..n {
                    for j in k..n {
                        rest[i][j] -= column[i] * column[j];
                    }
                }
            }
            columns.push(column);
        }
        columns
    }
}

/// The uncertainty of a result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Combined {
    /// The result at the estimates of the inputs.
    pub value: f64,
    /// Combined standard uncertainty of first order.
    pub first: f64,
    /// What the second order adds to its square.
    pub second: f64,
    /// Effective degrees of freedom.
    pub degrees: f64,
}

impl Combined {
    /// Combined standard uncertainty, both orders.
    pub fn standard(&self) -> f64 {
        (self.first * self.first + self.second).max(0.0).sqrt()
    }

    /// Expanded uncertainty at a level of confidence such as 0.95.
    pub fn expanded(&self, confidence: f64) -> f64 {
        coverage(self.degrees, confidence) * self.standard()
    }
}

/// Coverage factor at a level of confidence: the quantile of Student's t for whole degrees of
/// freedom, rounded down (GUM G.4.1, note 1 and Table G.2).
///
/// By bisection on the distribution function, since the library's inverse does not end for some
/// arguments.
pub fn coverage(degrees: f64, confidence: f64) -> f64 {
    let below = 0.5 + confidence.clamp(0.0, 1.0 - 1e-9) / 2.0;
    let whole = degrees.floor().max(1.0);
    // Beyond this many the two agree to five digits.
    let student = StudentsT::new(0.0, 1.0, whole).ok().filter(|_| whole < 1e5);
    let Some(student) = student else { return Normal::standard().inverse_cdf(below) };
    let (mut low, mut high) = (0.0, 1.0);
    while student.cdf(high) < below && high < 1e9 {
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if student.cdf(middle) < below { low = middle } else { high = middle }
    }
    high
}
