//! The C header with which the product's firmware decodes its options: the windows of the board,
//! plain C99.

use super::c_names::{self, AnalogNames, CNames, SetNames};
use super::card;
use crate::board::{Board, Kind, Level, Pattern, Place};
use crate::circuit::{self, Node};
use crate::window::{ChannelWindows, Class, Limits, Windows, expect};

/// Digital channels that one set can have in C.
pub const MOST_BITS: usize = 32;

/// The text of the header.
///
/// For each option set an enumeration and a function that takes a code for each analog channel and
/// the levels of all digital ones as bits. What no window holds is none. A set that a person reads
/// with a meter is left out.
///
/// # Errors
/// A set with more than [`MOST_BITS`] digital channels.
pub fn text(board: &Board, windows: &Windows) -> Result<String, String> {
    let names = c_names::names(board, windows);
    let mut text = heading(board, &names);
    for (set, names_of_set) in names.sets.iter().enumerate() {
        if by_meter(board, set) {
            let id = comment(&board.options[set].id);
            text += &format!("/* {id} is read with a meter; the firmware does not see it. */\n\n");
            continue;
        }
        if names_of_set.digital.len() > MOST_BITS {
            let id = &board.options[set].id;
            let count = names_of_set.digital.len();
            return Err(format!(
                "{id} has {count} digital channels, a C header can have {MOST_BITS}; split it into \
                 several sets of options"
            ));
        }
        text += &Set { board, windows, set, of: names_of_set }.text();
    }
    text += &format!("#endif /* {} */\n", names.guard);
    Ok(text)
}

/// The pattern of levels of each row of a set, as `Decoding::Patterns` has them.
fn pattern(windows: &Windows, set: usize, names: &SetNames, row: usize) -> Pattern {
    let mut pattern = Pattern { mask: 0, bits: 0 };
    for (bit, (channel, _)) in names.digital.iter().enumerate() {
        let classes = windows.channels[*channel].classes.iter();
        let found: Vec<Level> = classes
            .filter(|c| c.rows.contains(&(set, row)))
            .filter_map(|c| match c.limits {
                Limits::Level(level) => Some(level),
                _ => None,
            })
            .collect();
        // A row that leaves a level open reads with either.
        if let [level] = found[..] {
            pattern.mask |= 1 << bit;
            pattern.bits |= u64::from(level == Level::High) << bit;
        }
    }
    pattern
}

/// Whether a person has to read a channel of a set.
fn by_meter(board: &Board, set: usize) -> bool {
    let channels = board.options[set].channels.iter();
    channels.copied().any(|c| matches!(board.channels[c].kind, Kind::Meter { .. }))
}

/// What the first remark of each header says, by which it is known again.
pub const MARK: &str = "Written by strapwise c-header";

fn heading(board: &Board, names: &CNames) -> String {
    let chip = &board.chip;
    let about = match board.about.is_empty() {
        true => String::new(),
        false => format!(" *\n * {}\n", comment(&board.about)),
    };
    format!(
        "/* Options of {} revision {}, decoded from codes and levels.\n\
         {about} *\n\
         \x20* {MARK} from the board file with sha256\n\
         \x20* {}.\n\
         \x20* Change the board file, not this. Codes are those of the {},\n\
         \x20* code = {} * Vin / Vref, Vref = {} ({}). What no window holds is\n\
         \x20* none: a wrong part does not become another option.\n \
         */\n#ifndef {guard}\n#define {guard}\n\n#include <stdint.h>\n\n",
        comment(&board.name),
        comment(&board.revision),
        comment(&board.sha256),
        comment(&chip.part),
        chip.scale,
        comment(&board.reference().to_string()),
        board.firmware.reference.word(),
        guard = names.guard,
    )
}

/// A text that can stand in a comment of C: no end, no beginning, no trigraph, no continued line.
fn comment(text: &str) -> String {
    let kept: String = text
        .chars()
        .map(|c| if c.is_alphanumeric() || (c.is_ascii() && !c.is_control()) { c } else { '.' })
        .collect();
    let mut kept = kept.replace('\\', "/").replace("*/", "* /").replace("/*", "/ *");
    // Of three in a row two are left by one go.
    while kept.contains("??") {
        kept = kept.replace("??", "? ?");
    }
    kept
}

/// What a header without shunt gives.
enum Open {
    /// It is one of the options, or there is no jumper.
    Option,
    /// Any code.
    Floats,
    /// Codes that are no option.
    Own(u16, u16),
    /// Codes that are taken for an option, or may be.
    Reads(String),
}

struct Set<'a> {
    board: &'a Board,
    windows: &'a Windows,
    set: usize,
    of: &'a SetNames,
}

impl Set<'_> {
    fn text(&self) -> String {
        let options = &self.board.options[self.set];
        let label = card::set_name(options);
        let mut text = format!("/* --- {} --- */\n\n", comment(label));
        for analog in &self.of.analog {
            text += &self.defines(analog);
        }
        text += &self.bits();
        text += &self.enumeration();
        text + &self.function()
    }

    fn classes(&self, channel: usize) -> &ChannelWindows {
        &self.windows.channels[channel]
    }

    /// Where the header of an analog channel ends up without a shunt; only where this channel
    /// alone decides the option, as else others have their say.
    fn open(&self, analog: &AnalogNames) -> Open {
        let board = self.board;
        let windows = self.classes(analog.channel);
        let Some(group) = circuit::group_of(board, board.channels[analog.channel].net) else {
            return Open::Option;
        };
        let setting =
            group.jumpers.iter().fold(board.delivery.clone(), |s, &j| s.with(j, Place::Open));
        let alone = board.options[self.set].channels.len() == 1;
        if group.jumpers.is_empty() || !alone || windows.class_of_setting(&setting).is_some() {
            return Open::Option;
        }
        let shown = expect(board, &setting, analog.channel);
        if shown.node == Node::Floating {
            return Open::Floats;
        }
        let full = f64::from(board.chip.full_scale);
        let code = |c: f64| c.clamp(0.0, full) as u16;
        let (low, high) = (code(shown.design.low.floor()), code(shown.design.high.ceil()));
        let met = windows.classes.iter().find(
            |c| matches!(c.limits, Limits::Codes { low: l, high: h } if l <= high && low <= h),
        );
        match met {
            None => Open::Own(low, high),
            Some(class) => Open::Reads(option(class).to_string()),
        }
    }

    /// Windows and gaps of an analog channel, from code 0 up.
    fn defines(&self, analog: &AnalogNames) -> String {
        let channel = &self.board.channels[analog.channel];
        let windows = self.classes(analog.channel);
        let mut text = format!(
            "/* {} on {}: codes of each window, both ends included. */\n",
            comment(&channel.id),
            comment(&channel.pin.name)
        );
        let mut rows: Vec<(u16, u16, usize)> = Vec::new();
        for (i, class) in windows.classes.iter().enumerate() {
            if let Limits::Codes { low, high } = class.limits {
                rows.push((low, high, i));
            }
        }
        rows.sort_unstable();
        let mut next = 0_u32;
        let gap = |from: u32, to: u32| match from < to {
            true => format!("/* {from} to {} are none. */\n", to - 1),
            false => String::new(),
        };
        for (low, high, class) in rows {
            text += &gap(next, low.into());
            let (name_low, name_high) = &analog.windows[class];
            let places = comment(&windows.classes[class].name);
            text += &format!("#define {name_low} {low}u /* {places} */\n");
            text += &format!("#define {name_high} {high}u\n");
            next = u32::from(high) + 1;
        }
        text += &gap(next, u32::from(self.board.chip.full_scale) + 1);
        text += &match self.open(analog) {
            Open::Option => String::new(),
            Open::Floats => "/* Without a shunt the pin floats: any code may come. */\n".into(),
            Open::Reads(option) => {
                format!("/* Without a shunt it may read as {}. */\n", comment(&option))
            }
            Open::Own(low, high) => format!(
                "/* Without a shunt, which is no option. */\n#define {} {low}u\n#define {} \
                 {high}u\n",
                analog.open.0, analog.open.1
            ),
        };
        text + "\n"
    }

    /// Bits and patterns of the digital channels.
    fn bits(&self) -> String {
        if self.of.digital.is_empty() {
            return String::new();
        }
        let mut text = "/* Bits of `levels`: 1 where the pin is high. */\n".to_string();
        for (bit, (channel, name)) in self.of.digital.iter().enumerate() {
            let pin = comment(&self.board.channels[*channel].pin.name);
            text += &format!("#define {name} {} /* {pin} */\n", self.constant(1 << bit));
        }
        text += "\n/* The bits that matter to each row, and their levels. */\n";
        for (row, (mask, levels)) in self.of.patterns.iter().enumerate() {
            let pattern = pattern(self.windows, self.set, self.of, row);
            let means = comment(&self.board.options[self.set].when[row].means);
            text += &format!("#define {mask} {} /* {means} */\n", self.constant(pattern.mask));
            text += &format!("#define {levels} {}\n", self.constant(pattern.bits));
        }
        text + "\n"
    }

    fn constant(&self, bits: u64) -> String {
        match self.of.digital.len() {
            0..=8 => format!("0x{bits:02x}u"),
            9..=16 => format!("0x{bits:04x}u"),
            _ => format!("0x{bits:08x}ul"),
        }
    }

    fn enumeration(&self) -> String {
        let values = numbers(&self.of.options);
        let none = if values.is_some() { -1 } else { 0 };
        let mut lines = vec![format!("    {} = {none}", self.of.none)];
        for (i, (_, name)) in self.of.options.iter().enumerate() {
            let value = values.as_ref().map_or(i as i32 + 1, |v| v[i]);
            lines.push(format!("    {name} = {value}"));
        }
        if self.opens() {
            let value = if values.is_some() { -2 } else { self.of.options.len() as i32 + 1 };
            lines.push(format!("    {} = {value}", self.of.open));
        }
        format!("enum {} {{\n{}\n}};\n\n", self.of.tag, lines.join(",\n"))
    }

    fn opens(&self) -> bool {
        self.of.analog.iter().any(|a| matches!(self.open(a), Open::Own(..)))
    }

    fn function(&self) -> String {
        let mut parameters: Vec<String> =
            self.of.analog.iter().map(|a| format!("uint16_t {}", a.parameter)).collect();
        match self.of.digital.len() {
            0 => {}
            1..=8 => parameters.push("uint8_t levels".into()),
            9..=16 => parameters.push("uint16_t levels".into()),
            _ => parameters.push("uint32_t levels".into()),
        }
        let mut body = String::new();
        if self.board.options[self.set].channels.len() == 1 && self.of.digital.is_empty() {
            body += &self.by_class();
        } else {
            body += &self.by_row();
        }
        // A parameter that no row needs.
        let unused = parameters
            .iter()
            .filter_map(|p| p.split(' ').nth(1))
            .filter(|p| !body.contains(&format!("{p} ")));
        let unused: String = unused.map(|p| format!("    (void){p};\n")).collect();
        format!(
            "/* {} */\nstatic inline enum {} {}({})\n{{\n{unused}{body}    return {};\n}}\n\n",
            "The option that codes and levels stand for.",
            self.of.tag,
            self.of.function,
            parameters.join(", "),
            self.of.none
        )
    }

    fn enumerator(&self, means: &str) -> &str {
        let found = self.of.options.iter().find(|(option, _)| option == means);
        found.map_or(&self.of.none, |(_, name)| name)
    }

    /// One channel: window after window.
    fn by_class(&self) -> String {
        let mut body = String::new();
        for analog in &self.of.analog {
            for (i, class) in self.classes(analog.channel).classes.iter().enumerate() {
                let means = class.means.as_deref().unwrap_or_default();
                body += &test(&self.window(analog, i), self.enumerator(means));
            }
            if let Open::Own(low, high) = self.open(analog) {
                let condition = self.between(analog, (low, high), &analog.open);
                body += &test(&condition.unwrap_or_else(|| "1".into()), &self.of.open);
            }
        }
        body
    }

    /// Several channels: the first row that all of them agree with. Rows of different options
    /// differ on a channel, so no other order reads anything else.
    fn by_row(&self) -> String {
        let mut body = String::new();
        for (row, meaning) in self.board.options[self.set].when.iter().enumerate() {
            let mut conditions: Vec<String> = Vec::new();
            for analog in &self.of.analog {
                let classes = &self.classes(analog.channel).classes;
                let found: Vec<String> = (0..classes.len())
                    .filter(|&c| classes[c].rows.contains(&(self.set, row)))
                    .map(|c| format!("({})", self.window(analog, c)))
                    .collect();
                conditions.push(match found.len() {
                    0 => "0".to_string(),
                    1 => found.concat(),
                    _ => format!("({})", found.join(" || ")),
                });
            }
            let matters = pattern(self.windows, self.set, self.of, row).mask != 0;
            if let Some((mask, levels)) = self.of.patterns.get(row).filter(|_| matters) {
                conditions.push(format!("(levels & {mask}) == {levels}"));
            }
            if conditions.is_empty() {
                conditions.push("1".to_string());
            }
            body += &test(&conditions.join(" && "), self.enumerator(&meaning.means));
        }
        body
    }

    fn window(&self, analog: &AnalogNames, class: usize) -> String {
        let Limits::Codes { low, high } = self.classes(analog.channel).classes[class].limits else {
            return "0".into();
        };
        let found = self.between(analog, (low, high), &analog.windows[class]);
        found.unwrap_or_else(|| "1".into())
    }

    /// The comparison for a window; comparisons that always hold are left out, since compilers
    /// warn of them.
    fn between(
        &self,
        analog: &AnalogNames,
        (low, high): (u16, u16),
        (name_low, name_high): &(String, String),
    ) -> Option<String> {
        let code = &analog.parameter;
        let above = (low > 0).then(|| format!("{code} >= {name_low}"));
        let below = match high {
            u16::MAX => None,
            _ => Some(format!("{code} <= {name_high}")),
        };
        let both: Vec<String> = above.into_iter().chain(below).collect();
        (!both.is_empty()).then(|| both.join(" && "))
    }
}

fn option(class: &Class) -> &str {
    class.means.as_deref().unwrap_or(&class.name)
}

fn test(condition: &str, option: &str) -> String {
    let short = condition.len() < 84;
    let condition =
        if short { condition.into() } else { condition.replace(" && ", "\n        && ") };
    format!("    if ({condition}) {{\n        return {option};\n    }}\n")
}

/// The numbers that options are, where all of them are different ones that an `int` holds.
fn numbers(options: &[(String, String)]) -> Option<Vec<i32>> {
    let number = |means: &String| means.parse::<u16>().ok().filter(|n| *n <= 32_767);
    let found: Vec<i32> =
        options.iter().map(|(m, _)| number(m).map(i32::from)).collect::<Option<_>>()?;
    let distinct: std::collections::BTreeSet<&i32> = found.iter().collect();
    (distinct.len() == found.len()).then_some(found)
}
