//! What the firmware does, as said on the command line: `PROFILE=128,384` and the like.

use super::Failure;
use crate::board::{Board, CodeWindow, Compare, Decoding, Kind};
use crate::c_header::CHeader;

/// Options that say what the firmware does.
#[derive(Debug, clap::Args)]
pub struct Statements {
    /// Thresholds of an analog channel: numbers, names from --header, or the name of an array
    #[arg(long, value_name = "CHANNEL=CODE,CODE…")]
    thresholds: Vec<String>,
    /// How the firmware compares a code with them: `<` or `>=` puts a threshold into the range
    /// above it, `<=` or `>` into the one beneath
    #[arg(long, value_name = "OPERATOR", default_value = "<")]
    compare: String,
    /// What each range stands for, from the first threshold on (`none` for a gap), or each number
    /// that bits make, from 0 on
    #[arg(long, value_name = "CHANNEL=OPTION,OPTION…")]
    order: Vec<String>,
    /// Codes that the firmware takes for an option, both ends included
    #[arg(long, value_name = "CHANNEL:OPTION=LOW..HIGH")]
    window: Vec<String>,
    /// Digital channels that make a number, the one of least weight first; without channels those
    /// of the set as listed
    #[arg(long, value_name = "SET=CHANNEL,CHANNEL…")]
    bits: Vec<String>,
    /// Whether a low pin counts as 0 or as 1 in a set of bits (default 0)
    #[arg(long, value_name = "SET=0|1")]
    low: Vec<String>,
}

/// Adds a statement unless there is one about the same channel or set.
pub fn add(decodings: &mut Vec<Decoding>, new: Decoding) {
    let same = |old: &Decoding| {
        (old.channel().is_some() && old.channel() == new.channel())
            || (old.set().is_some() && old.set() == new.set())
    };
    if !decodings.iter().any(same) {
        decodings.push(new);
    }
}

fn wrong(option: &str, text: &str, advice: impl std::fmt::Display) -> Failure {
    Failure::input(format!("{option} '{text}': {advice}"))
}

impl Statements {
    /// Every statement made, names of the header put in.
    pub fn decodings(
        &self,
        board: &Board,
        header: Option<&CHeader>,
    ) -> Result<Vec<Decoding>, Failure> {
        let reader = Reader { board, header };
        let compare = Compare::from_operator(&self.compare)
            .ok_or_else(|| wrong("--compare", &self.compare, "write '<', '<=', '>' or '>='"))?;
        let orders = self.pairs("--order", &self.order)?;
        let lows = self.pairs("--low", &self.low)?;
        let order = |subject: &str| -> Vec<String> {
            let found = orders.iter().find(|(s, _)| *s == subject);
            found.map(|(_, list)| split(list).map(str::to_string).collect()).unwrap_or_default()
        };
        let mut found = Vec::new();
        for (text, (id, list)) in
            self.thresholds.iter().zip(self.pairs("--thresholds", &self.thresholds)?)
        {
            let channel = reader.analog("--thresholds", text, id)?;
            let mut codes = Vec::new();
            for word in split(list) {
                codes.extend(reader.numbers("--thresholds", text, word)?);
            }
            let options = order(id);
            once(&mut found, Decoding::Thresholds { channel, codes, compare, options }, text)?;
        }
        self.windows(&reader, &mut found)?;
        for text in &self.bits {
            let (id, list) = text.split_once('=').unwrap_or((text, ""));
            let set = reader.set("--bits", text, id)?;
            let channels = match list {
                "" => board.options[set].channels.clone(),
                list => split(list)
                    .map(|c| reader.digital(text, set, c))
                    .collect::<Result<Vec<usize>, Failure>>()?,
            };
            let low = lows.iter().find(|(s, _)| *s == id).map_or("0", |(_, low)| low);
            let low_is_one = match low {
                "0" => false,
                "1" => true,
                _ => return Err(wrong("--low", low, "write SET=0 or SET=1")),
            };
            let options = order(id);
            once(&mut found, Decoding::Bits { set, channels, low_is_one, options }, text)?;
        }
        self.all_used(&orders, &lows)?;
        Ok(found)
    }

    /// Windows of one channel belong together.
    fn windows(&self, reader: &Reader<'_>, found: &mut Vec<Decoding>) -> Result<(), Failure> {
        const LIKE: &str = "write CHANNEL:OPTION=LOW..HIGH, for example 'PROFILE:herbs=669..889'";
        let mut all: Vec<(usize, Vec<CodeWindow>)> = Vec::new();
        for text in &self.window {
            let bad = || wrong("--window", text, LIKE);
            let (id, rest) = text.split_once(':').ok_or_else(bad)?;
            // An option may be a position with a sign of its own: `J1=3`.
            let (option, codes) = rest.rsplit_once('=').ok_or_else(bad)?;
            let (low, high) = codes.split_once("..").ok_or_else(bad)?;
            let channel = reader.analog("--window", text, id.trim())?;
            let number = |word: &str| match reader.numbers("--window", text, word.trim())?[..] {
                [one] => Ok(one),
                _ => Err(wrong("--window", text, format!("`{word}` has several values"))),
            };
            let window =
                CodeWindow { option: option.trim().into(), low: number(low)?, high: number(high)? };
            if window.low > window.high {
                return Err(wrong("--window", text, "it ends before it begins"));
            }
            match all.iter_mut().find(|(c, _)| *c == channel) {
                Some((_, windows)) => windows.push(window),
                None => all.push((channel, vec![window])),
            }
        }
        for (channel, windows) in all {
            once(found, Decoding::Windows { channel, windows }, &self.window.join(" "))?;
        }
        Ok(())
    }

    fn pairs<'a>(
        &self,
        option: &str,
        texts: &'a [String],
    ) -> Result<Vec<(&'a str, &'a str)>, Failure> {
        let pair = |text: &'a String| {
            let (a, b) =
                text.split_once('=').filter(|(_, list)| !list.trim().is_empty()).ok_or_else(
                    || wrong(option, text, "write NAME=VALUE, for example PROFILE=128,384"),
                )?;
            Ok((a.trim(), b.trim()))
        };
        texts.iter().map(pair).collect()
    }

    /// An order or a polarity that nothing uses is a slip.
    fn all_used(&self, orders: &[(&str, &str)], lows: &[(&str, &str)]) -> Result<(), Failure> {
        let said = |id: &str, list: &[String]| {
            list.iter().any(|text| text.split('=').next().is_some_and(|s| s.trim() == id))
        };
        for (id, list) in orders {
            if !said(id, &self.thresholds) && !said(id, &self.bits) {
                let advice = format!("give --thresholds or --bits for {id} too");
                return Err(wrong("--order", &format!("{id}={list}"), advice));
            }
        }
        for (id, low) in lows {
            if !said(id, &self.bits) {
                return Err(wrong(
                    "--low",
                    &format!("{id}={low}"),
                    format!("give --bits {id} too"),
                ));
            }
        }
        Ok(())
    }
}

/// Adds a statement; a second one about the same thing is a slip.
fn once(found: &mut Vec<Decoding>, new: Decoding, text: &str) -> Result<(), Failure> {
    let count = found.len();
    add(found, new);
    if found.len() == count {
        return Err(Failure::input(format!("'{text}': that channel or set was given before")));
    }
    Ok(())
}

/// The words of a list.
fn split(list: &str) -> impl Iterator<Item = &str> {
    list.split(',').map(str::trim)
}

/// Codes beyond this are no codes of any converter.
const LARGEST: f64 = 1e6;

struct Reader<'a> {
    board: &'a Board,
    header: Option<&'a CHeader>,
}

impl Reader<'_> {
    fn analog(&self, option: &str, text: &str, id: &str) -> Result<usize, Failure> {
        let analog = |&c: &usize| self.board.channels[c].kind == Kind::Analog;
        self.board.channel(id).filter(analog).ok_or_else(|| {
            let known: Vec<&str> = (0..self.board.channels.len())
                .filter(analog)
                .map(|c| self.board.channels[c].id.as_str())
                .collect();
            wrong(option, text, format!("no analog channel {id}; there are {}", known.join(", ")))
        })
    }

    fn set(&self, option: &str, text: &str, id: &str) -> Result<usize, Failure> {
        let sets = &self.board.options;
        let digital = |s: &usize| {
            sets[*s].channels.iter().all(|&c| self.board.channels[c].kind == Kind::Digital)
        };
        sets.iter().position(|s| s.id == id).filter(digital).ok_or_else(|| {
            let known: Vec<&str> =
                (0..sets.len()).filter(digital).map(|s| sets[s].id.as_str()).collect();
            let advice = format!(
                "no set of options {id} that is read from levels; there are {}",
                known.join(", ")
            );
            wrong(option, text, advice)
        })
    }

    fn digital(&self, text: &str, set: usize, id: &str) -> Result<usize, Failure> {
        let of_set = &self.board.options[set].channels;
        self.board.channel(id).filter(|c| of_set.contains(c)).ok_or_else(|| {
            let known: Vec<&str> =
                of_set.iter().map(|&c| self.board.channels[c].id.as_str()).collect();
            let advice = format!("`{id}` is no channel of the set; it has {}", known.join(", "));
            wrong("--bits", text, advice)
        })
    }

    /// A number, or what a name stands for in the header.
    fn numbers(&self, option: &str, text: &str, word: &str) -> Result<Vec<f64>, Failure> {
        let number =
            word.parse::<f64>().ok().filter(|_| word.starts_with(|c: char| c.is_ascii_digit()));
        let found = match (number, self.header) {
            (Some(number), _) => vec![number],
            (None, Some(header)) => {
                header.numbers(word).map_err(|e| Failure::input(e.to_string()))?
            }
            (None, None) => {
                let advice = format!("`{word}` is no code; give --header to read names from it");
                return Err(wrong(option, text, advice));
            }
        };
        match found.iter().find(|n| !(0.0..=LARGEST).contains(*n)) {
            None => Ok(found),
            Some(bad) => Err(wrong(option, text, format!("{bad} is no code of a converter"))),
        }
    }
}
