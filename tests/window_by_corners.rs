//! Bands and what shows a defect, on drawn boards, against every corner of what varies: a sample of
//! `bench-scripts/benchmarks/corners.rs`.

#[path = "../bench-scripts/benchmarks/brute.rs"]
mod brute;
#[path = "../bench-scripts/benchmarks/decisions.rs"]
mod decisions;
#[path = "../bench-scripts/benchmarks/generated.rs"]
mod generated;

use decisions::{CLOSE, Tally, tally};

fn sample() -> Tally {
    // The draw in which the corners first found defects that were called seen and are not.
    tally(1, 2000, 12)
}

#[test]
fn bands_are_those_of_the_corners_and_no_defect_is_called_seen_that_a_corner_hides() {
    let tally = sample();
    for (name, d) in ["bench", "pulled", "design"].iter().zip(tally.bands) {
        assert!(d.bands > 20, "{name}: only {} bands", d.bands);
        assert!(d.worst <= CLOSE, "{name}: {} codes\n{:#?}", d.worst, tally.told);
    }
    for (name, d) in ["analog", "digital"].iter().zip(tally.decisions) {
        assert!(d.seen > 0 && d.seen < d.all, "{name}: {} of {} are seen", d.seen, d.all);
        let wrong = d.false_seen + d.short + d.missed;
        assert_eq!(wrong, 0, "{name}: {:#?}", tally.told);
    }
}
