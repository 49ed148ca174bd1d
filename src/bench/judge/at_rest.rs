//! A channel whose switches rest.

use super::{coverage_of, expanded_uncertainty, reading_in};
use crate::bench::{Burst, Check, Driven, Mode, Rule, Verdict};
use crate::board::{Board, Kind, Setting};
use crate::window::{self, Band, Expected, Limits};

/// Judges a channel read while its switches rest: the node must be where the open switch leaves it.
pub fn at_rest(board: &Board, setting: &Setting, channel: usize, burst: Option<Burst>) -> Check {
    at_rest_against(board, channel, burst, &window::expect_closed(board, setting, channel, &[]))
}

/// The same where it is known what a good unit shows there.
pub(in crate::bench) fn at_rest_against(
    board: &Board,
    channel: usize,
    burst: Option<Burst>,
    expected: &Expected,
) -> Check {
    let closes: Vec<&str> =
        board.channels[channel].closes.iter().map(|&s| board.switches[s].id.as_str()).collect();
    let limits = Band { low: expected.design.low.floor(), high: expected.design.high.ceil() };
    let burst = reading_in(burst);
    let (verdict, reason) = match burst {
        None => (Verdict::NotTested, "no reading".to_string()),
        Some(b) => {
            let u = expanded_uncertainty(&b);
            if b.mean < limits.low - u || b.mean > limits.high + u {
                let what =
                    format!("{:.1} with {} off: does it switch off?", b.mean, closes.join(" "));
                (Verdict::Fail, what)
            } else {
                (Verdict::Pass, String::new())
            }
        }
    };
    Check {
        channel,
        mode: Mode::Mean,
        kind: Kind::Analog,
        pull_up: false,
        on: Vec::new(),
        burst,
        rule: Rule::GuardedRejection,
        typed: None,
        pull_up_shift: None,
        driven: Driven::NotShown,
        u_code: burst.as_ref().map(expanded_uncertainty),
        k: burst.as_ref().map(coverage_of),
        expected_code: Some(expected.code),
        bench_band: Some(expected.bench),
        limits: Some(Limits::Codes {
            low: limits.low.clamp(0.0, 65535.0) as u16,
            high: limits.high.clamp(0.0, 65535.0) as u16,
        }),
        limit_source: "design band, switch open".into(),
        position: String::new(),
        option_expected: None,
        option_read: None,
        margin_code: None,
        margin_pct: None,
        remaining_code: None,
        verdict,
        reason,
    }
}
