//! The scale under the strips of a channel: codes, levels or ohms on a width of paper.

use super::svg::{Anchor, Font};
use super::windows::digits;
use crate::board::{Board, Channel, Kind, Level};
use crate::window::{ChannelWindows, Class, Limits, adc};

/// A mark on the scale.
pub(super) struct Tick {
    /// Where it stands.
    pub x: f64,
    /// Which point of its labels stands there.
    pub anchor: Anchor,
    /// What is written under it, line by line.
    pub labels: Vec<String>,
}

/// What a scale measures.
enum Measure {
    Codes,
    Levels,
    /// Logarithmic, from one resistance to another.
    Ohms(f64, f64),
}

/// The scale of a channel on a strip with this left edge and width.
pub(super) struct Scale<'a> {
    board: &'a Board,
    measure: Measure,
    left: f64,
    width: f64,
}

impl<'a> Scale<'a> {
    pub(super) fn new(
        board: &'a Board,
        channel: &Channel,
        w: &ChannelWindows,
        (left, width): (f64, f64),
    ) -> Scale<'a> {
        let measure = match channel.kind {
            Kind::Analog => Measure::Codes,
            Kind::Digital => Measure::Levels,
            Kind::Meter { .. } => ohms(w),
        };
        Scale { board, measure, left, width }
    }

    /// Where a code or a resistance stands; what is beyond an end of the scale stands at the end.
    pub(super) fn at(&self, value: f64) -> f64 {
        let share = match self.measure {
            Measure::Ohms(low, high) => (value / low).ln() / (high / low).ln(),
            _ => (value + 0.5) / (f64::from(self.board.chip.full_scale) + 1.0),
        };
        self.left + self.width * share.clamp(0.0, 1.0)
    }

    /// The edges of a window. A code takes the width from half a code below it to half above.
    pub(super) fn span(&self, class: &Class) -> (f64, f64) {
        let chip = &self.board.chip;
        match class.limits {
            Limits::Codes { low, high } => {
                (self.at(f64::from(low) - 0.5), self.at(f64::from(high) + 0.5))
            }
            Limits::Level(Level::Low) => (self.left, self.at(chip.vil.0 * chip.scale)),
            Limits::Level(Level::High) => {
                (self.at(chip.vih.0 * chip.scale), self.left + self.width)
            }
            Limits::Ohms { low, high } => (self.at(low.0), self.at(high.0)),
        }
    }

    /// The marks, whose labels in a font do not meet.
    pub(super) fn ticks(&self, font: Font) -> Vec<Tick> {
        let chip = &self.board.chip;
        let tick = |value: f64, anchor, labels| Tick { x: self.at(value), anchor, labels };
        match self.measure {
            Measure::Codes => {
                let full = f64::from(chip.full_scale);
                let volts = |code| adc::volts_of(code, self.board.reference(), chip).0;
                let labels =
                    |code: f64| vec![format!("{code:.0}"), format!("{:.2} V", volts(code))];
                let quarter = |i: u8| ((full + 1.0) * f64::from(i) / 4.0).round();
                let mut ticks = vec![tick(0.0, Anchor::Start, labels(0.0))];
                let inner = (1..4).map(quarter);
                ticks.extend(inner.map(|code| tick(code, Anchor::Middle, labels(code))));
                ticks.push(tick(full, Anchor::End, labels(full)));
                ticks
            }
            Measure::Levels => {
                // A level is a share of the supply. The two are labelled away from each other:
                // they may lie close together.
                let supply = self.board.supply.volts.0;
                let shares = [
                    (0.0, Anchor::Start),
                    (chip.vil.0, Anchor::End),
                    (chip.vih.0, Anchor::Start),
                    (1.0, Anchor::End),
                ];
                let level = |(share, anchor): (f64, Anchor)| {
                    tick(share * chip.scale, anchor, vec![format!("{:.2} V", share * supply)])
                };
                shares.into_iter().map(level).collect()
            }
            Measure::Ohms(low, high) => self.ohm_ticks(low, high, font),
        }
    }

    /// The ends, and between them as many powers of ten as there is room for.
    fn ohm_ticks(&self, low: f64, high: f64, font: Font) -> Vec<Tick> {
        let label = |ohms: f64| format!("{} Ω", digits(ohms, 3));
        let end = |ohms: f64, anchor| Tick { x: self.at(ohms), anchor, labels: vec![label(ohms)] };
        let apart = 6.0;
        let mut ticks = vec![end(low, Anchor::Start)];
        let mut reached = self.left + font.width(&label(low)) + apart;
        let last = self.left + self.width - font.width(&label(high)) - apart;
        let decades = low.log10().ceil() as i32..=high.log10().floor() as i32;
        for ohms in decades.map(|n| 10f64.powi(n)) {
            let (x, half) = (self.at(ohms), font.width(&label(ohms)) / 2.0);
            if x - half >= reached && x + half <= last {
                ticks.push(Tick { x, anchor: Anchor::Middle, labels: vec![label(ohms)] });
                reached = x + half + apart;
            }
        }
        ticks.push(end(high, Anchor::End));
        ticks
    }
}

/// A scale that all finite resistances of a channel have room on.
fn ohms(w: &ChannelWindows) -> Measure {
    let of = |class: &Class| {
        let limits = match class.limits {
            Limits::Ohms { low, high } => [low.0, high.0],
            _ => [f64::NAN; 2],
        };
        [limits[0], limits[1], class.design.low, class.design.high, class.code]
    };
    let finite = |x: &f64| x.is_finite() && *x > 0.0;
    let values: Vec<f64> = w.classes.iter().flat_map(of).filter(finite).collect();
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = values.iter().copied().fold(0.0, f64::max);
    match low.is_finite() {
        true => Measure::Ohms(low / 1.2, high * 1.2),
        // Nothing but shorts and open circuits.
        false => Measure::Ohms(1.0, 1e6),
    }
}
