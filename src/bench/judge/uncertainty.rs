//! How sure the mean of a burst is.

use crate::bench::Burst;
use statrs::distribution::{ContinuousCDF, Normal};

/// Level of confidence of every expanded uncertainty: that of two deviations of a normal law.
const CONFIDENCE: f64 = 0.9545;

/// Independent conversions in a burst.
///
/// Noise on a bench is hum, so the count is reduced by the lag-1 autocorrelation r:
/// n_eff = n (1 - r) / (1 + r) (the AR(1) rule, common practice, no source).
fn independent(burst: &Burst) -> f64 {
    let r = burst.lag1.clamp(0.0, 0.999);
    (f64::from(burst.n) * (1.0 - r) / (1.0 + r)).max(1.0)
}

/// Standard uncertainty of the mean of a burst, in codes. The floor is that of a perfect
/// quantiser, 1/sqrt(12) code.
pub fn standard_uncertainty(burst: &Burst) -> f64 {
    (burst.sd / independent(burst).sqrt()).hypot(1.0 / 12f64.sqrt())
}

/// Coverage factor for so many degrees of freedom at 95.45 %: Student's t, which is 2 for a normal
/// law (JCGM 100:2008, G.3 and Table G.2).
///
/// By the first three terms of the expansion of t in the normal deviate z (Abramowitz and Stegun
/// 26.7.5, from memory), good to 0.01 from five degrees on; fewer count as five, since the
/// library's inverse does not end for some arguments.
pub fn coverage(degrees: f64) -> f64 {
    let z = Normal::standard().inverse_cdf(0.5 + CONFIDENCE / 2.0);
    let n = degrees.max(5.0);
    let (z3, z5) = (z.powi(3), z.powi(5));
    z + (z3 + z) / (4.0 * n) + (5.0 * z5 + 16.0 * z3 + 3.0 * z) / (96.0 * n * n)
}

/// Coverage factor of the mean of a burst: only its scatter has few degrees of freedom, the
/// quantiser's share has many, so they combine by Welch and Satterthwaite (JCGM 100:2008, G.4.1).
pub fn coverage_of(burst: &Burst) -> f64 {
    let n = independent(burst);
    let scatter = burst.sd / n.sqrt();
    if scatter == 0.0 {
        return coverage(1e6);
    }
    let ratio = standard_uncertainty(burst) / scatter;
    coverage(ratio.powi(4) * (n - 1.0).max(1.0))
}

/// Expanded uncertainty of the mean of a burst, in codes.
pub fn expanded_uncertainty(burst: &Burst) -> f64 {
    coverage_of(burst) * standard_uncertainty(burst)
}

#[cfg(test)]
mod tests {
    use super::coverage;

    #[test]
    fn coverage_factors_are_those_of_the_guide() {
        // JCGM 100:2008, Table G.2, column 95.45 %: 2.28 for 10 degrees of freedom, 2.05 for 50,
        // 2.00 for infinitely many (the first seen recomputed, the others from memory).
        for (degrees, factor) in [(10.0, 2.28), (50.0, 2.05), (1e6, 2.00)] {
            assert!((coverage(degrees) - factor).abs() < 0.005, "{degrees}: {}", coverage(degrees));
        }
    }
}
