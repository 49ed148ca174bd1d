//! The E series and the short form of resistances.

use proptest::prelude::*;
use strapwise::units::{Allow, Ohms, Series, read, rkm};

/// IEC 60063:2015, as the PyPI package `eseries` 1.2.1 holds it (`eseries/eseries.py`).
#[test]
fn the_coarse_series_are_those_of_the_standard() {
    assert_eq!(Series::E3.decade(), [10, 22, 47]);
    assert_eq!(Series::E6.decade(), [10, 15, 22, 33, 47, 68]);
    assert_eq!(Series::E12.decade(), [10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82]);
    let added = [11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91];
    let mut e24 = [Series::E12.decade(), added.to_vec()].concat();
    e24.sort_unstable();
    assert_eq!(Series::E24.decade(), e24);
}

/// The same source, all of E48, E96 and E192.
#[test]
fn the_fine_series_are_those_of_the_standard() {
    assert_eq!(Series::E48.decade(), E48);
    assert_eq!(Series::E96.decade(), E96);
    assert_eq!(Series::E192.decade(), E192);
}

/// IEC 60063:2015 through `eseries` 1.2.1: where the values are not the rounded power of ten.
#[test]
fn the_generating_rule_has_eight_exceptions_in_e24_and_one_in_e192() {
    let off = |series: Series, first: f64| -> Vec<u16> {
        let n = series.decade().len() as f64;
        let rule = |i: usize| (first * 10f64.powf(i as f64 / n)).round() as u16;
        series
            .decade()
            .into_iter()
            .enumerate()
            .filter(|&(i, v)| v != rule(i))
            .map(|p| p.1)
            .collect()
    };
    assert_eq!(off(Series::E24, 10.0), [27, 30, 33, 36, 39, 43, 47, 82]);
    assert_eq!(off(Series::E48, 100.0), [0_u16; 0]);
    assert_eq!(off(Series::E96, 100.0), [0_u16; 0]);
    assert_eq!(off(Series::E192, 100.0), [920]);
}

/// `find_nearest` of `eseries` 1.2.1.
#[test]
fn the_nearest_value_is_that_of_the_published_package() {
    let cases = [
        (Series::E12, 3100.0, 3300.0),
        (Series::E24, 3100.0, 3000.0),
        (Series::E96, 3100.0, 3090.0),
        (Series::E24, 71.0, 68.0),
        (Series::E96, 4500.0, 4530.0),
        (Series::E192, 9190.0, 9200.0),
    ];
    for (series, ohms, nearest) in cases {
        assert_eq!(series.nearest(Ohms(ohms)), Some(Ohms(nearest)), "{} {ohms}", series.name());
    }
    for none in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(Series::E24.nearest(Ohms(none)), None);
    }
}

#[test]
fn a_range_of_a_series_holds_both_its_ends_over_all_decades() {
    let found = Series::E3.between(Ohms(4.7), Ohms(1000.0));
    assert_eq!(found, [4.7, 10.0, 22.0, 47.0, 100.0, 220.0, 470.0, 1000.0].map(Ohms));
    assert_eq!(Series::E24.between(Ohms(1.0), Ohms(10e6)).len(), 7 * 24 + 1);
    assert!(Series::E24.between(Ohms(2.0), Ohms(1.0)).is_empty());
    assert!(Series::E24.between(Ohms(f64::NAN), Ohms(1.0)).is_empty());
}

#[test]
fn a_series_is_found_by_its_name() {
    for series in Series::ALL {
        assert_eq!(Series::named(&series.name().to_lowercase()), Some(series));
    }
    assert_eq!(Series::named("E25"), None);
}

/// IEC 60062:2016 examples (RKM code), in the small `k` that board files use.
#[test]
fn resistances_are_written_in_the_short_form() {
    let cases = [
        (0.47, "R47"),
        (4.7, "4R7"),
        (470.0, "470R"),
        (4700.0, "4k7"),
        (47e3, "47k"),
        (47.3e3, "47k3"),
        (470e3, "470k"),
        (4.7e6, "4M7"),
        (1e6, "1M0"),
        (4990.0, "4k99"),
        (1.0, "1R"),
        (0.0005, "0.0005 ohm"),
    ];
    for (ohms, text) in cases {
        assert_eq!(rkm(Ohms(ohms)), text);
    }
}

proptest! {
    #[test]
    fn every_value_of_a_series_reads_back_as_itself(
        which in 0_usize..7,
        at in 0_usize..192,
        decade in 0_i32..8,
    ) {
        let values = Series::ALL[which].decade();
        let ohms: f64 = format!("{}e{}", values[at % values.len()], decade - 2).parse().unwrap();
        prop_assert_eq!(read::<Ohms>(&rkm(Ohms(ohms)), Allow::Positive), Ok(Ohms(ohms)));
    }

    #[test]
    fn any_positive_resistance_reads_back_as_itself(ohms in 1e-4..1e9_f64) {
        let rounded: f64 = format!("{ohms:.6e}").parse().unwrap();
        prop_assert_eq!(read::<Ohms>(&rkm(Ohms(rounded)), Allow::Positive), Ok(Ohms(rounded)));
    }
}

const E48: [u16; 48] = [
    100, 105, 110, 115, 121, 127, 133, 140, 147, 154, 162, 169, 178, 187, 196, 205, 215, 226, 237,
    249, 261, 274, 287, 301, 316, 332, 348, 365, 383, 402, 422, 442, 464, 487, 511, 536, 562, 590,
    619, 649, 681, 715, 750, 787, 825, 866, 909, 953,
];

const E96: [u16; 96] = [
    100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143, 147, 150, 154,
    158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210, 215, 221, 226, 232, 237, 243,
    249, 255, 261, 267, 274, 280, 287, 294, 301, 309, 316, 324, 332, 340, 348, 357, 365, 374, 383,
    392, 402, 412, 422, 432, 442, 453, 464, 475, 487, 499, 511, 523, 536, 549, 562, 576, 590, 604,
    619, 634, 649, 665, 681, 698, 715, 732, 750, 768, 787, 806, 825, 845, 866, 887, 909, 931, 953,
    976,
];

const E192: [u16; 192] = [
    100, 101, 102, 104, 105, 106, 107, 109, 110, 111, 113, 114, 115, 117, 118, 120, 121, 123, 124,
    126, 127, 129, 130, 132, 133, 135, 137, 138, 140, 142, 143, 145, 147, 149, 150, 152, 154, 156,
    158, 160, 162, 164, 165, 167, 169, 172, 174, 176, 178, 180, 182, 184, 187, 189, 191, 193, 196,
    198, 200, 203, 205, 208, 210, 213, 215, 218, 221, 223, 226, 229, 232, 234, 237, 240, 243, 246,
    249, 252, 255, 258, 261, 264, 267, 271, 274, 277, 280, 284, 287, 291, 294, 298, 301, 305, 309,
    312, 316, 320, 324, 328, 332, 336, 340, 344, 348, 352, 357, 361, 365, 370, 374, 379, 383, 388,
    392, 397, 402, 407, 412, 417, 422, 427, 432, 437, 442, 448, 453, 459, 464, 470, 475, 481, 487,
    493, 499, 505, 511, 517, 523, 530, 536, 542, 549, 556, 562, 569, 576, 583, 590, 597, 604, 612,
    619, 626, 634, 642, 649, 657, 665, 673, 681, 690, 698, 706, 715, 723, 732, 741, 750, 759, 768,
    777, 787, 796, 806, 816, 825, 835, 845, 856, 866, 876, 887, 898, 909, 920, 931, 942, 953, 965,
    976, 988,
];
