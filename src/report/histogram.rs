//! How often each code was seen, as bars of signs.

use super::wrap;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Most bars; codes that lie further apart share one.
const BARS: usize = 15;

/// Draws the codes of one channel in lines of at most `width` columns: a title with mean and
/// deviation (n - 1), then a bar for each code or each few neighbouring ones. The bar that holds
/// the code `expected` of the circuit says so.
pub fn bars(
    channel: &str,
    counts: &BTreeMap<u16, u64>,
    expected: Option<f64>,
    width: usize,
) -> Vec<String> {
    let (Some((&low, _)), Some((&high, _))) = (counts.first_key_value(), counts.last_key_value())
    else {
        return vec![format!("{channel}: no codes yet")];
    };
    let total: u64 = counts.values().sum();
    let (mean, sd) = moments(counts, total);
    let title = format!(
        "{channel}: {total} conversions, mean {mean:.2}, deviation {sd:.2}, codes {low} to {high}"
    );
    let mut lines = wrap::lines(&title, width);
    let each = (usize::from(high - low) + 1).div_ceil(BARS) as u16;
    let starts = (low..=high).step_by(usize::from(each));
    let bins: Vec<(u16, u16, u64)> = starts
        .map(|from| {
            let to = from.saturating_add(each - 1).min(high);
            (from, to, counts.range(from..=to).map(|(_, n)| n).sum())
        })
        .collect();
    let most = bins.iter().map(|b| b.2).max().unwrap_or(1).max(1);
    let label = |from: u16, to: u16| match from == to {
        true => from.to_string(),
        false => format!("{from}-{to}"),
    };
    let wide = bins.iter().map(|b| label(b.0, b.1).len()).max().unwrap_or(0);
    // Label, share in percent and the mark stand beside the bar.
    let room = width.saturating_sub(wide + 5 + 9 + MARK.len()).max(10);
    for (from, to, n) in bins {
        let mut line = format!("  {:>wide$} |{:<room$}", label(from, to), bar(n, most, room));
        let _ = write!(line, " {:5.1} %", 100.0 * n as f64 / total as f64);
        let here = |code: f64| f64::from(from) <= code.round() && code.round() <= f64::from(to);
        if expected.is_some_and(here) {
            line += MARK;
        }
        lines.push(line);
    }
    lines
}

/// What stands behind the bar of the code that the circuit predicts.
const MARK: &str = " circuit";

/// A bar of so many signs of `room` for the largest; a point where there is less than one sign.
fn bar(n: u64, most: u64, room: usize) -> String {
    let signs = (n as f64 * room as f64 / most as f64).round() as usize;
    match (n, signs) {
        (0, _) => String::new(),
        (_, 0) => ".".into(),
        _ => "#".repeat(signs),
    }
}

/// Mean and deviation (n - 1) of counted codes.
fn moments(counts: &BTreeMap<u16, u64>, total: u64) -> (f64, f64) {
    let sum: f64 = counts.iter().map(|(&c, &n)| f64::from(c) * n as f64).sum();
    let mean = sum / total as f64;
    let squares: f64 = counts.iter().map(|(&c, &n)| (f64::from(c) - mean).powi(2) * n as f64).sum();
    (mean, (squares / (total.saturating_sub(1)).max(1) as f64).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_code_has_its_bar_and_the_predicted_one_says_so() {
        let counts = BTreeMap::from([(371, 1), (372, 200), (374, 100)]);
        let lines = bars("PROFILE", &counts, Some(373.6), 75);
        // Mean (371 + 372*200 + 374*100) / 301 = 372.66, deviation by hand 0.95.
        assert_eq!(
            lines[0],
            "PROFILE: 301 conversions, mean 372.66, deviation 0.95, codes 371 to 374"
        );
        assert_eq!(lines.len(), 5, "a bar for 373 too: {lines:#?}");
        let signs = |line: &str| line.matches('#').count();
        assert_eq!(signs(&lines[1]), 0, "one in two hundred is a point: {}", lines[1]);
        assert!(lines[1].contains("|.") && lines[1].contains("0.3 %"), "{}", lines[1]);
        // Half of an odd number of signs is rounded.
        assert!(signs(&lines[2]).abs_diff(2 * signs(&lines[4])) <= 1, "{lines:#?}");
        assert!(lines[3].contains("0.0 %") && signs(&lines[3]) == 0, "{}", lines[3]);
        assert!(lines[4].ends_with("circuit") && !lines[2].ends_with("circuit"));
        assert!(lines.iter().all(|l| l.chars().count() <= 75), "{lines:#?}");
    }

    #[test]
    fn codes_over_the_whole_scale_share_bars_and_none_is_lost() {
        let counts: BTreeMap<u16, u64> = (0..=1023).map(|c| (c, 1)).collect();
        let lines = bars("X", &counts, None, 80);
        assert!(lines.len() <= BARS + 1, "{lines:#?}");
        assert!(lines[1].trim_start().starts_with("0-68 |"), "{}", lines[1]);
        assert!(lines.last().is_some_and(|l| l.contains("-1023 |")), "{lines:#?}");
        let top = BTreeMap::from([(u16::MAX, 3)]);
        assert_eq!(bars("X", &top, None, 80).len(), 2);
    }

    #[test]
    fn nothing_read_yet_is_said() {
        assert_eq!(bars("X", &BTreeMap::new(), None, 80), ["X: no codes yet"]);
    }
}
