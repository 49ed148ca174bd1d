//! From the text of a flag to a template. What is left out has a default; values of resistors
//! that are left out are chosen as `design` does.

use super::spec::Spec;
use crate::board::Level;
use crate::board::template::{
    Address, Ends, Form, Isolate, Ladder, Output, Rail, Select, Template, Weighted,
};
use crate::cli::Failure;
use crate::screen::patience::patience;
use crate::units::{Allow, Amperes, Farads, Ohms, Ratio, Series, Volts, rkm};
use crate::window::design::{Choice, Limit, Network, Request, design};

const RAILS: [(&str, Rail); 2] = [("supply", Rail::Supply), ("ground", Rail::Ground)];
const ENDS: [(&str, Ends); 4] = [
    ("both", Ends::Both),
    ("supply", Ends::Supply),
    ("ground", Ends::Ground),
    ("none", Ends::None),
];
/// Resistance of a closed optocoupler or transistor where nothing is said: that of the demo board.
const ON: (Ohms, Ohms) = (Ohms(1.0), Ohms(50.0));

/// What all templates of a board share: the request of `design`, its network and stock aside.
pub struct Common {
    /// Chip, supply and limits.
    pub request: Request,
}

impl Common {
    /// Chooses the values of a network.
    fn choose(
        &self,
        spec: &Spec,
        network: Network,
        tolerance: Ratio,
        input: Option<Ohms>,
    ) -> Result<Choice, Failure> {
        let source = spec.value::<Ohms>("source-limit")?.unwrap_or(self.request.source);
        let current = spec.value::<Amperes>("current")?.unwrap_or(self.request.current);
        let series = spec.text("series").unwrap_or("E24");
        let known: Vec<&str> = Series::ALL.iter().map(|s| s.name()).collect();
        let series = Series::named(series).ok_or_else(|| {
            spec.wrong("series: no E series", &format!("take {}", known.join(", ")))
        })?;
        let stock = series.between(Ohms(10.0), Ohms(1e6));
        let request =
            Request { network, tolerance, input, stock, source, current, ..self.request.clone() };
        let outcome = patience("choosing resistors", || design(&request))
            .map_err(|what| spec.wrong(&what, "or give `values`"))?;
        let bound = outcome.bound;
        let key = outcome.held_by.map(|limit| match limit {
            Limit::Current => format!("current={}", request.current),
            Limit::Source => format!("source-limit={}", rkm(request.source)),
        });
        outcome.choices.into_iter().next().ok_or_else(|| match key {
            Some(key) => spec.wrong(
                &format!("no values keep within the limit {key}"),
                "raise it if the board can bear that, or give `values`",
            ),
            None => spec.wrong(
                &format!("no values tell every setting apart (bound {bound:.1} codes)"),
                "see `strapwise design`, or give `values`",
            ),
        })
    }

    /// A ladder.
    pub fn ladder(&self, text: &str) -> Result<Template, Failure> {
        let keys = [
            "positions",
            "values",
            "series",
            "source-limit",
            "current",
            "ends",
            "tolerance",
            "open",
            "pull",
            "input",
            "capacitor",
            "options",
        ];
        let spec = Spec::read("--ladder", text, &keys)?;
        let ends = spec.choice("ends", &ENDS, Ends::Both)?;
        let tolerance = spec.share("tolerance", Ratio(0.01))?;
        let input = spec.value::<Ohms>("input")?;
        let to = match spec.text("open") {
            None => None,
            Some(_) => Some(spec.choice("open", &RAILS, Rail::Ground)?),
        };
        let pull = spec.value::<Ohms>("pull")?;
        if pull.is_some() && to.is_none() {
            return Err(spec.wrong("`pull` without `open`", "say where: open=ground"));
        }
        let (ohms, pull) = match spec.values("values")? {
            Some(_) if to.is_some() && pull.is_none() => {
                return Err(spec.wrong("`open` without `pull`", "give its value: pull=10k"));
            }
            Some(ohms) => {
                given(&spec, "positions")?;
                (ohms, pull)
            }
            None => {
                let positions = spec.count("positions")?.ok_or_else(|| {
                    spec.wrong("neither `values` nor `positions`", "write it like positions=5")
                })?;
                let open = to.map(|rail| (rail, pull));
                let network = Network::Ladder { positions, ends, open };
                let chosen = self.choose(&spec, network, tolerance, input)?;
                (chosen.ohms, chosen.pull)
            }
        };
        let options = spec
            .text("options")
            .map_or(Vec::new(), |list| list.split(',').map(|o| o.trim().to_string()).collect());
        let pull = to.zip(pull);
        let capacitor = spec.value::<Farads>("capacitor")?;
        let name = spec.name;
        Ok(Template::Ladder(Ladder {
            name,
            ohms,
            tolerance,
            ends,
            pull,
            input,
            capacitor,
            options,
        }))
    }

    /// A weighted network.
    pub fn weighted(&self, text: &str) -> Result<Template, Failure> {
        let keys = [
            "shunts",
            "values",
            "series",
            "source-limit",
            "current",
            "form",
            "to",
            "pull",
            "tolerance",
            "input",
            "capacitor",
        ];
        let spec = Spec::read("--weighted", text, &keys)?;
        let tolerance = spec.share("tolerance", Ratio(0.01))?;
        let input = spec.value::<Ohms>("input")?;
        let three_pin = spec.choice("form", &[("two-pin", false), ("three-pin", true)], false)?;
        let to = spec.choice("to", &RAILS, Rail::Supply)?;
        let pull = spec.value::<Ohms>("pull")?;
        let (ohms, pull) = match spec.values("values")? {
            Some(ohms) => {
                given(&spec, "shunts")?;
                (ohms, pull)
            }
            None => {
                let shunts = spec.count("shunts")?.ok_or_else(|| {
                    spec.wrong("neither `values` nor `shunts`", "write it like shunts=3")
                })?;
                let network = match three_pin {
                    true => Network::ThreePin { shunts },
                    false => Network::TwoPin { shunts, to, pull },
                };
                let chosen = self.choose(&spec, network, tolerance, input)?;
                (chosen.ohms, chosen.pull)
            }
        };
        let form = match (three_pin, pull) {
            (true, _) => Form::ThreePin,
            (false, Some(pull)) => Form::TwoPin { to, pull },
            (false, None) => return Err(spec.wrong("`pull` is missing", "write it like pull=4k7")),
        };
        let capacitor = spec.value::<Farads>("capacitor")?;
        let name = spec.name;
        Ok(Template::Weighted(Weighted { name, ohms, tolerance, form, input, capacitor }))
    }
}

/// Refuses keys that say how to choose values where these are given.
fn given(spec: &Spec, count: &str) -> Result<(), Failure> {
    let choosing = [count, "series", "source-limit", "current"];
    match choosing.iter().find(|key| spec.text(key).is_some()) {
        None => Ok(()),
        Some(key) => Err(spec.wrong(
            &format!("`values` and `{key}`: given values are taken as they are, not chosen"),
            "take one out",
        )),
    }
}

/// Bits of an address.
pub fn address(text: &str) -> Result<Template, Failure> {
    let spec = Spec::read("--address", text, &["bits", "to", "pull", "tolerance"])?;
    let bits = spec.count("bits")?.unwrap_or(3);
    let to = spec.choice("to", &RAILS, Rail::Ground)?;
    let tolerance = spec.share("tolerance", Ratio(0.05))?;
    let pull = match spec.text("pull") {
        Some("internal") => None,
        Some(_) => spec.value::<Ohms>("pull")?,
        None => Some(Ohms(10e3)),
    };
    let pull = pull.map(|ohms| (ohms, tolerance));
    Ok(Template::Address(Address { name: spec.name, bits, to, pull }))
}

/// A feed.
pub fn select(text: &str) -> Result<Template, Failure> {
    let spec = Spec::read("--select", text, &["on", "wire", "rest", "tolerance"])?;
    Ok(Template::Select(Select {
        on: spec.range("on", Allow::NonNegative)?.unwrap_or(ON),
        wire: spec.value("wire")?.unwrap_or(Ohms(10e3)),
        rest: spec.value("rest")?.unwrap_or(Ohms(47e3)),
        tolerance: spec.share("tolerance", Ratio(0.01))?,
        name: spec.name,
    }))
}

/// A common return.
pub fn isolate(text: &str) -> Result<Template, Failure> {
    let spec = Spec::read("--isolate", text, &["lamps", "on", "tolerance"])?;
    Ok(Template::Isolate(Isolate {
        ohms: spec.values("lamps")?.unwrap_or(vec![Ohms(470.0)]),
        tolerance: spec.share("tolerance", Ratio(0.05))?,
        on: spec.range("on", Allow::NonNegative)?.unwrap_or(ON),
        name: spec.name,
    }))
}

/// An output.
pub fn output(text: &str) -> Result<Template, Failure> {
    let spec = Spec::read("--output", text, &["off", "dummy", "sag"])?;
    let off = spec.choice("off", &[("low", Level::Low), ("high", Level::High)], Level::Low)?;
    let dummy = spec.need("dummy", "write it like dummy=15 ohm, 5 W resistor")?.to_string();
    spec.need("sag", "write it like sag=15mV..120mV")?;
    let sag = spec.range::<Volts>("sag", Allow::Positive)?.unwrap_or_default();
    Ok(Template::Output(Output { name: spec.name, off, dummy, sag }))
}
