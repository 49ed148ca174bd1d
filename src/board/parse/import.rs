//! What a netlist means for the board: its resistors, capacitors and sources, mapped onto the nets
//! that the board file names.

use super::super::{Capacitor, Drift, Feed, NetId, Resistor, Source, Supply};
use super::Reading;
use super::bill::complain;
use super::drift::drift_of;
use super::log::Log;
use super::netlist::{self, Element, Kind, shown};
use super::table::{At, Fields, tables};
use crate::units::{Allow, Amperes, Farads, Ohms, Ratio, Volts, read};
use std::collections::{HashMap, HashSet};
use toml::de::DeTable;

/// Parts with values, from wherever they come.
#[derive(Default)]
pub(super) struct Parts {
    pub(super) resistors: Vec<Resistor>,
    pub(super) capacitors: Vec<Capacitor>,
    pub(super) sources: Vec<Source>,
}

/// What stands for an element that is none of R, C, V and I.
#[derive(Clone, Copy)]
enum Instead {
    Open,
    Ohms(Ohms),
}

/// How a row of `[netlist.drift]` is written.
const DRIFT: &str = "{ tempco = \"50ppm/K\", ageing = \"0.1%\" }";

/// Letters of the elements whose first two nodes are all there is between.
const TWO_POLES: &str = "BDLRSW";

/// What `[netlist]` says beside the name of the file.
struct Terms {
    tolerance: Option<Ratio>,
    tolerances: HashMap<String, Term<Ratio>>,
    instead: HashMap<String, Term<Instead>>,
    drift: HashMap<String, Term<Drift>>,
    /// Headers and switches, which the board file itself describes.
    described: HashSet<String>,
    rails: Option<[NetId; 2]>,
    volts: f64,
}

struct Term<T> {
    it: T,
    at: usize,
    used: bool,
}

impl<'a> Reading<'a, '_> {
    /// The parts of the netlist that the board file names, if it names one.
    pub(super) fn netlist(&mut self, root: &Fields<'a>, supply: Option<&Supply>) -> Parts {
        let mut parts = Parts::default();
        if let Some(supply) = supply {
            self.names.feed([supply.net, supply.ground]);
        }
        let keys = ["file", "tolerance", "tolerances", "drift", "instead"];
        let Some(section) = self.single(root, "netlist", &keys) else { return parts };
        let tolerance = match section.get("tolerance") {
            Some(_) => section.share(&mut self.log, "tolerance", "\"1%\""),
            None => None,
        };
        let tolerances =
            self.terms(&section, "tolerances", |log, table, key| table.share(log, key, "\"1%\""));
        let arrays = self.names.arrays.clone();
        let drift = self.terms(&section, "drift", |log, table, key| {
            let part = table.sub(log, key, &["tempco", "ageing", "array"], DRIFT)?;
            drift_of(log, &part, &arrays)
        });
        let instead = self.terms(&section, "instead", |log, table, key| {
            table.measured(log, key, "\"open\"", |text| match text {
                "open" => Ok(Instead::Open),
                ohms => read(ohms, Allow::Positive).map(Instead::Ohms),
            })
        });
        let described = ["jumper", "switch"]
            .iter()
            .flat_map(|key| tables(&mut Log::new("", ""), root, key))
            .filter_map(|t| t.it.get("id").and_then(|v| v.get_ref().as_str()))
            .map(str::to_ascii_lowercase)
            .collect();
        let mut terms = Terms {
            tolerance,
            tolerances,
            instead,
            drift,
            described,
            rails: supply.map(|s| [s.net, s.ground]),
            volts: supply.map_or(0.0, |s| s.volts.0),
        };
        self.names.as_in_spice(supply.map(|s| s.ground));
        let Some(file) = self.companion(&section, "\"board.cir\"") else { return parts };
        let mut log = Log::new(&file.name, &file.text);
        for element in netlist::elements(&mut log, &file.text) {
            self.import(&mut log, &mut terms, element, &mut parts);
        }
        self.log.absorb(log);
        self.check_terms(&terms);
        parts
    }

    /// A table whose keys are names of elements.
    fn terms<T>(
        &mut self,
        section: &Fields<'a>,
        key: &str,
        read: impl Fn(&mut Log<'_>, &Fields<'a>, &str) -> Option<T>,
    ) -> HashMap<String, Term<T>> {
        let Some(value) = section.get(key) else { return HashMap::new() };
        let Some(table): Option<&'a DeTable<'a>> = value.get_ref().as_table() else {
            section.wrong(&mut self.log, key, value, "{ R5 = \"…\" }");
            return HashMap::new();
        };
        let called = format!("[netlist.{key}]");
        let fields = Fields::named(table, value.span().start, called);
        let mut found = HashMap::new();
        for name in table.keys() {
            let at = name.span().start;
            let name = name.get_ref().as_ref();
            if let Some(it) = read(&mut self.log, &fields, name) {
                found.insert(name.to_ascii_lowercase(), Term { it, at, used: false });
            }
        }
        found
    }

    /// Terms for elements that the netlist has not.
    fn check_terms(&mut self, terms: &Terms) {
        let tolerances = terms.tolerances.iter().map(|(name, t)| (name, t.at, t.used));
        let instead = terms.instead.iter().map(|(name, t)| (name, t.at, t.used));
        let drift = terms.drift.iter().map(|(name, t)| (name, t.at, t.used));
        for (name, at, used) in tolerances.chain(instead).chain(drift) {
            if !used {
                let what = format!("the netlist has no element `{}` to take this", shown(name));
                self.log.add(at, what, "correct the name, or take it out");
            }
        }
    }

    fn import(
        &mut self,
        log: &mut Log<'_>,
        terms: &mut Terms,
        element: Element<'_>,
        parts: &mut Parts,
    ) -> Option<()> {
        let name = element.name.it.to_ascii_lowercase();
        if terms.described.contains(&name) {
            return None;
        }
        let kind = match terms.instead.get_mut(&name) {
            Some(term) => {
                term.used = true;
                match term.it {
                    Instead::Open => return None,
                    Instead::Ohms(ohms) => stand_in(log, &element, ohms)?,
                }
            }
            None => element.kind,
        };
        if kind == Kind::Other {
            refuse(log, element.name);
            return None;
        }
        let called = match kind {
            Kind::Resistor(_) => "resistor",
            Kind::Capacitor(_) => "capacitor",
            _ => "source",
        };
        let id = self.names.claim_element(log, element.name, called)?;
        let [a, b] = element.nodes.map(|node| self.names.joined_net(log, node));
        let between = [a?, b?];
        if between[0] == between[1] {
            let what = format!("{id} joins {} to itself", shown(element.nodes[0].it));
            log.add(element.nodes[1].at, what, "give it two different nodes, or take it out");
            return None;
        }
        let given = terms.tolerances.get_mut(&name).map(|term| {
            term.used = true;
            term.it
        });
        let drift = terms.drift.get_mut(&name);
        if let (Some(term), "capacitor" | "source") = (&drift, called) {
            let what = format!("{id} is a {called}; `drift` is for resistors");
            self.log.add(term.at, what, "take it out");
        }
        let drift = drift.map_or(Drift::default(), |term| {
            term.used = true;
            term.it
        });
        match kind {
            Kind::Resistor(ohms) => {
                self.names.resistors.push(id.clone());
                let found = self.figures(&id, Some(Ohms(ohms)), given);
                let (ohms, share) =
                    found.map_err(|why| complain(log, element.name.at, why)).ok()?;
                let tolerance = tolerance(log, element.name, share.or(terms.tolerance))?;
                let drift = self.drift_billed(&id, drift);
                let drift = drift.map_err(|why| complain(log, element.name.at, why)).ok()?;
                parts.resistors.push(Resistor { id, between, ohms: ohms?, tolerance, drift });
            }
            Kind::Capacitor(farads) => {
                let found = self.figures(&id, Some(Farads(farads)), None);
                let (farads, _) = found.map_err(|why| complain(log, element.name.at, why)).ok()?;
                parts.capacitors.push(Capacitor { id, between, farads: farads? });
            }
            Kind::Volts(volts) if is_supply(terms.rails, between) => {
                let positive = terms.rails.is_some_and(|r| r[0] == between[0]);
                let volts = if positive { volts } else { -volts };
                check_supply(log, &element, volts, terms.volts);
            }
            Kind::Volts(_) | Kind::Amperes(_) => {
                let exact = matches!(kind, Kind::Volts(0.0) | Kind::Amperes(0.0));
                let share = given.or(terms.tolerance).or(exact.then_some(Ratio(0.0)));
                let feed = match kind {
                    Kind::Volts(volts) => Feed::Volts(Volts(volts)),
                    Kind::Amperes(amperes) => Feed::Amperes(Amperes(amperes)),
                    _ => return None,
                };
                let tolerance = tolerance(log, element.name, share)?;
                let source = Source { id, between, feed, tolerance };
                parts.sources.extend(self.names.fed(log, element.name.at, source));
            }
            Kind::Other => {}
        }
        Some(())
    }

    /// Sources that the board file gives itself.
    pub(super) fn sources(&mut self, root: &Fields<'a>) -> Vec<Source> {
        let keys = ["id", "between", "volts", "amperes", "tolerance"];
        let mut found = Vec::new();
        for table in tables(&mut self.log, root, "source") {
            let (part, id) = self.part(table, "source", "\"V2\"", &keys);
            let between = self.names.pair(&mut self.log, &part, "between");
            let tolerance = part.share(&mut self.log, "tolerance", "\"5%\"");
            let (volts, amperes) = (part.get("volts").is_some(), part.get("amperes").is_some());
            if volts == amperes {
                let what = format!("{} needs `volts` or `amperes`, one of them", part.name);
                self.log.add(part.at, what, "write `volts = \"12V\"` or `amperes = \"1mA\"`");
                continue;
            }
            let feed = match volts {
                true => {
                    part.quantity(&mut self.log, "volts", "\"12V\"", Allow::Any).map(Feed::Volts)
                }
                false => part
                    .quantity(&mut self.log, "amperes", "\"1mA\"", Allow::Any)
                    .map(Feed::Amperes),
            };
            if let (Some(id), Some(between), Some(tolerance), Some(feed)) =
                (id, between, tolerance, feed)
            {
                let source = Source { id, between, feed, tolerance };
                found.extend(self.names.fed(&mut self.log, part.at, source));
            }
        }
        found
    }
}

/// A resistance in place of an element with two poles.
fn stand_in(log: &mut Log<'_>, element: &Element<'_>, ohms: Ohms) -> Option<Kind> {
    let name = element.name;
    let letter = name.it.chars().next().map_or(' ', |c| c.to_ascii_uppercase());
    if TWO_POLES.contains(letter) && element.nodes[0].at != name.at {
        return Some(Kind::Resistor(ohms.0));
    }
    let what =
        format!("{} has other poles than two, so no resistance stands for it", shown(name.it));
    let do_next =
        "declare it open, and describe what it does with a `[[resistor]]` or `[[switch]]`";
    log.add(name.at, what, do_next);
    None
}

fn refuse(log: &mut Log<'_>, name: At<&str>) {
    let name_shown = shown(name.it);
    let what = format!("{name_shown} is none of R, C, V and I");
    let do_next = format!(
        "declare it open or give its resistance: `[netlist.instead]` with \
         `{name_shown} = \"open\"` or `{name_shown} = \"4k7\"` in the board file"
    );
    log.add(name.at, what, do_next);
}

fn tolerance(log: &mut Log<'_>, name: At<&str>, share: Option<Ratio>) -> Option<Ratio> {
    if share.is_none() {
        let what = format!("nothing says the tolerance of {}", shown(name.it));
        let do_next = "add `tolerance = \"1%\"` to [netlist] in the board file, \
                       or name the part under [netlist.tolerances]";
        log.add(name.at, what, do_next);
    }
    share
}

fn is_supply(rails: Option<[NetId; 2]>, between: [NetId; 2]) -> bool {
    rails.is_some_and(|[net, ground]| between == [net, ground] || between == [ground, net])
}

/// The source between the rails is the supply, which the board file gives.
fn check_supply(log: &mut Log<'_>, element: &Element<'_>, volts: f64, supply: f64) {
    if (volts - supply).abs() <= 1e-9 * supply.abs() {
        return;
    }
    let name = shown(element.name.it);
    let what = format!("{name} is the supply with {}", Volts(volts));
    let do_next = format!("[supply] of the board file says {}; correct one", Volts(supply));
    log.add(element.name.at, what, do_next);
}
