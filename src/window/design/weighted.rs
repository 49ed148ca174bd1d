//! Values for a weighted network.
use super::How;
use super::best::Best;
use super::rules::Rules;
use crate::board::template::Rail;
use crate::units::Ohms;
pub(super) fn search(
    _r: &Rules,
    _n: usize,
    _f: Option<(Rail, Option<Ohms>)>,
    _b: &mut Best,
) -> (f64, How) {
    (0.0, How::Beam)
}
