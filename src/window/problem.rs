//! What keeps a board from having windows, and what to change.

use super::Band;
use crate::units::{Amperes, Ohms, Ratio, Volts};
use std::fmt;

/// Why a channel cannot tell its positions apart. Names are those of the board file.
#[derive(Clone, Debug, PartialEq)]
pub enum WindowProblem {
    /// Two positions can give the same code and stand for different options.
    Overlap {
        /// Channel.
        channel: String,
        /// The position with the lower codes and its design band.
        below: (String, Band),
        /// The position with the higher codes and its design band.
        above: (String, Band),
        /// The resistors whose tolerance moves the two bands most, at most two.
        parts: Vec<String>,
    },
    /// Two positions lie beyond the range for which the converter's errors are stated, at one end.
    Unstated {
        /// Channel.
        channel: String,
        /// The positions.
        classes: [String; 2],
        /// The chip.
        chip: String,
        /// Share of the range, both ends.
        range: (Ratio, Ratio),
    },
    /// Two positions can show the same resistance and stand for different options.
    OverlapOhms {
        /// Channel.
        channel: String,
        /// The position with the lower resistance, and its band.
        below: (String, (Ohms, Ohms)),
        /// The position with the higher resistance, and its band.
        above: (String, (Ohms, Ohms)),
        /// The resistors whose tolerance moves the two bands most, at most two.
        parts: Vec<String>,
    },
    /// Two options read alike on every channel of their set.
    Alike {
        /// Option set.
        set: String,
        /// The two options.
        options: [String; 2],
        /// Channels of the set.
        channels: Vec<String>,
    },
    /// An analog pin hangs on nothing in a setting that stands for an option.
    Floating {
        /// Channel.
        channel: String,
        /// Net at the pin.
        net: String,
        /// The position.
        class: String,
        /// A whole setting in which it floats.
        setting: String,
    },
    /// A digital pin can be between its input levels.
    BetweenLevels {
        /// Channel.
        channel: String,
        /// The position.
        class: String,
        /// Lowest and highest voltage of the pin.
        volts: (Volts, Volts),
        /// Highest low and lowest high level.
        levels: (Volts, Volts),
        /// The resistors whose tolerance moves the pin most, at most two.
        parts: Vec<String>,
    },
    /// Every setting of a position shorts the supply.
    Short {
        /// Channel.
        channel: String,
        /// A whole setting that does.
        setting: String,
        /// Current that would flow at the nominal supply.
        current: Amperes,
        /// What would be left between the rails.
        path: Ohms,
    },
    /// A discharge of the pin would draw too much from the supply in a setting.
    Discharge {
        /// Channel.
        channel: String,
        /// A whole setting in which it would.
        setting: String,
        /// Resistance between the pin and its voltage there.
        source: Ohms,
    },
    /// A limit would lie at a step of the converter, and there is no room to move it.
    BadCode {
        /// Channel.
        channel: String,
        /// The position.
        class: String,
        /// The code of the step.
        code: u16,
        /// The chip.
        chip: String,
    },
    /// A setting that is left, delivered or gone through on the bench shorts the supply.
    ShortSetting {
        /// The whole setting.
        setting: String,
        /// Current that would flow at the nominal supply.
        current: Amperes,
    },
    /// A network too large to be solved while a person waits.
    TooLarge {
        /// Channel; none when it is none that a channel reads.
        channel: Option<String>,
        /// Nets that influence each other.
        nets: usize,
        /// Settings of the jumpers among them.
        settings: usize,
    },
    /// Too many settings to go through.
    TooMany {
        /// Channel.
        channel: String,
        /// Jumpers in its group.
        jumpers: Vec<String>,
        /// Settings that they have, if that can be counted.
        settings: Option<usize>,
        /// The most that are gone through.
        most: usize,
    },
}

impl fmt::Display for WindowProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            WindowProblem::Overlap { channel, below, above, parts } => {
                let (a, b) = (below.1, above.1);
                write!(
                    f,
                    "channel {channel}: {} (codes {:.0} to {:.0}) and {} (codes {:.0} to {:.0}) \
                     overlap by {:.1} codes; ",
                    below.0,
                    a.low,
                    a.high,
                    above.0,
                    b.low,
                    b.high,
                    a.high.min(b.high) - b.low
                )?;
                match parts.as_slice() {
                    [] => write!(
                        f,
                        "no tolerance makes the difference: move the values further apart than the \
                         converter's errors, or give the two other nets"
                    ),
                    [one] => write!(
                        f,
                        "{one} matters most: give it a closer tolerance or move the two apart"
                    ),
                    several => write!(
                        f,
                        "{} matter most: give them closer tolerances or values further apart",
                        several.join(" and ")
                    ),
                }
            }
            WindowProblem::Unstated { channel, classes, chip, range } => write!(
                f,
                "channel {channel}: {} and {} both lie beyond the {:.0} to {:.0} percent of the \
                 range for which the errors of the {chip} are stated; choose resistors that leave \
                 one of them there at most",
                classes[0],
                classes[1],
                100.0 * range.0.0,
                100.0 * range.1.0
            ),
            WindowProblem::OverlapOhms { channel, below, above, parts } => {
                let (a, b) = (below.1, above.1);
                write!(
                    f,
                    "channel {channel}: {} ({:.5} to {:.5}) and {} ({:.5} to {:.5}) overlap; ",
                    below.0, a.0, a.1, above.0, b.0, b.1
                )?;
                match parts.as_slice() {
                    [] => write!(f, "a closer meter or values further apart would tell them apart"),
                    parts => write!(
                        f,
                        "{} matter{} most: closer tolerances, or values further apart",
                        parts.join(" and "),
                        if parts.len() == 1 { "s" } else { "" }
                    ),
                }
            }
            WindowProblem::Alike { set, options, channels } => write!(
                f,
                "options {set}: \"{}\" and \"{}\" read alike on {}; let another channel tell them \
                 apart, or make them one option",
                options[0],
                options[1],
                channels.join(", ")
            ),
            WindowProblem::Floating { channel, net, class, setting } => write!(
                f,
                "channel {channel}: in {class} the net {net} is joined to nothing ({setting}), so \
                 its code means nothing; add a resistor from {net} to a rail, or name the places \
                 of the other jumpers in the option"
            ),
            WindowProblem::BetweenLevels { channel, class, volts, levels, parts } => {
                write!(
                    f,
                    "channel {channel}: in {class} the pin is at {:.2} V to {:.2} V, which is \
                     neither low (up to {:.2} V) nor high (from {:.2} V); ",
                    volts.0.0, volts.1.0, levels.0.0, levels.1.0
                )?;
                if parts.is_empty() {
                    write!(f, "join it to a rail or to a pull-up")
                } else {
                    write!(f, "change the value of {}", parts.join(" or "))
                }
            }
            WindowProblem::Short { channel, setting, current, path } => write!(
                f,
                "channel {channel}: {setting} joins the supply to ground through {:.2} ohm ({:.1} \
                 A); take this position out of the options or put a resistor in its way",
                path.0, current.0
            ),
            WindowProblem::Discharge { channel, setting, source } => write!(
                f,
                "channel {channel} may be discharged, but at {setting} its pin would take more \
                 than 20 mA through {source}: take `discharge` out, or put a resistor in series"
            ),
            WindowProblem::BadCode { channel, class, code, chip } => write!(
                f,
                "channel {channel}: a limit of {class} lies at code {code}, where the converter of \
                 the {chip} makes a step, and there is no room to move it; choose resistors that \
                 move the bands beside it apart"
            ),
            WindowProblem::ShortSetting { setting, current } => write!(
                f,
                "the setting {setting} shorts the supply: {current:.3} would flow; correct the \
                 nets of its positions, or put a resistor in the way"
            ),
            WindowProblem::TooLarge { channel, nets, settings } => {
                match channel {
                    Some(channel) => write!(f, "channel {channel}: ")?,
                    None => write!(f, "a network that no channel reads: ")?,
                }
                write!(
                    f,
                    "{nets} nets influence each other in {settings} settings, too many to be \
                     solved; describe the jumper circuits only, and cut them where a supply or \
                     a stiff source stands"
                )
            }
            WindowProblem::TooMany { channel, jumpers, settings, most } => {
                write!(f, "channel {channel}: its jumpers {} have ", jumpers.join(", "))?;
                match settings {
                    Some(n) => write!(f, "{n} settings")?,
                    None => write!(f, "more settings than can be counted")?,
                }
                write!(f, ", of which {most} can be gone through; read them by more channels")
            }
        }
    }
}

impl std::error::Error for WindowProblem {}
