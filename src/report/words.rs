//! What the operator is told, in plain words.

use super::windows::is_meter;
use crate::bench::command::Ran;
use crate::bench::supply::{self, By, VoltsCheck};
use crate::bench::{
    Check, Event, Mode, Prompt, Shunts, StepAt, Summary, SupplyCheck, UnitVerdict, Verdict, sag,
};
use crate::board::{Board, Fuses, Jumper, Kind, Load, Place, Setting, Task};
use crate::record::fold::presence_note;
use crate::walk::Move;

/// The cautions shown before anything is switched.
pub const CAUTIONS: &[&str] = &[
    "Take live equipment off the outputs; fit only the dummy loads named below.",
    "Power off before a jumper in the supply is moved.",
    "Extra-low voltage only, from a source with a current limit. Mind electrostatic discharge.",
    "Local codes and licensed practice come first. This tool does not certify a safety system.",
];

/// The dummy loads of a board, one a line.
pub fn dummies(board: &Board) -> Vec<String> {
    let dummy = |load: &Load| match load.label.is_empty() {
        true => format!("{}: {}", load.id, load.dummy),
        false => format!("{} ({}): {}", load.id, load.label, load.dummy),
    };
    board.loads.iter().map(dummy).collect()
}

/// Between which header pins a place is.
pub(super) fn pins(jumper: &Jumper, place: Place) -> String {
    let Place::At(i) = place else { return String::new() };
    let poles: Vec<String> =
        jumper.positions[i].pins.iter().map(|[a, b]| format!("between pins {a} and {b}")).collect();
    poles.join(", and ")
}

/// On which header pins the only position of a jumper is: it has no need of a name.
fn only(jumper: &Jumper) -> Option<String> {
    let [position] = jumper.positions.as_slice() else { return None };
    let poles: Vec<String> =
        position.pins.iter().map(|[a, b]| format!("on pins {a} and {b}")).collect();
    Some(poles.join(", and "))
}

/// The move asked for, as one says it.
pub fn move_text(jumper: &Jumper, from: Place, to: Place) -> String {
    let id = &jumper.id;
    match (from, to) {
        (_, Place::Open) if jumper.parked => format!("{id}: park the shunt on one pin"),
        (_, Place::Open) => format!("{id}: take the shunt off"),
        (_, Place::At(_)) if let Some(pins) = only(jumper) => format!("{id}: fit the shunt {pins}"),
        (Place::Open, Place::At(_)) => {
            let name = jumper.place_name(to);
            format!("{id}: put a shunt on position {name}, {}", pins(jumper, to))
        }
        (Place::At(_), Place::At(_)) => {
            let name = jumper.place_name(to);
            format!("{id}: move the shunt to position {name}, {}", pins(jumper, to))
        }
    }
}

/// A place of a jumper in a sentence.
pub(super) fn on(jumper: &Jumper, place: Place) -> String {
    match place {
        Place::Open if jumper.parked => "on one pin".to_string(),
        Place::Open => "off".to_string(),
        Place::At(_) if jumper.positions.len() == 1 => only(jumper).unwrap_or_default(),
        Place::At(_) => format!("on {}, {}", jumper.place_name(place), pins(jumper, place)),
    }
}

/// Several moves, one a line.
fn moves_text(board: &Board, moves: &[Move]) -> Vec<String> {
    let text = |m: &Move| format!("{}.", move_text(&board.jumpers[m.jumper], m.from, m.to));
    moves.iter().map(text).collect()
}

/// Headers that are named one by one; more are 'all others'.
const FEW: usize = 6;

/// Every shunt of a setting: those that are off, and those that are not.
fn whole_setting(board: &Board, setting: &Setting) -> Vec<String> {
    let places = || board.jumpers.iter().zip(setting.0.iter().copied());
    let off: Vec<&str> =
        places().filter(|(_, p)| *p == Place::Open).map(|(j, _)| j.id.as_str()).collect();
    let on: Vec<(&Jumper, Place)> = places().filter(|(_, p)| *p != Place::Open).collect();
    let alike = on.iter().all(|(j, _)| j.positions.len() == 1);
    let mut lines = Vec::new();
    if on.is_empty() && !off.is_empty() {
        lines.push("Take every shunt off the board.".to_string());
    } else if alike && on.len() > FEW {
        let but = if off.is_empty() { String::new() } else { format!(" but {}", off.join(", ")) };
        lines.push(format!("Fit the shunts of all headers{but}."));
    } else {
        if !off.is_empty() {
            lines.push(format!("Take the shunts off {}.", off.join(", ")));
        }
        lines.extend(on.iter().map(|(j, p)| format!("{}.", move_text(j, Place::Open, *p))));
    }
    lines
}

/// What the operator is asked, in one or a few lines.
pub fn prompt(board: &Board, prompt: &Prompt) -> Vec<String> {
    match prompt {
        Prompt::Cautions => {
            let mut lines: Vec<String> = CAUTIONS.iter().map(|l| l.to_string()).collect();
            lines.extend(dummies(board).iter().map(|d| format!("Dummy load {d}")));
            if board.channels.iter().any(is_meter) || board.supply.before_power.is_some() {
                lines.push(
                    "Unplug the unit: first it is measured with a meter, the power off.".into(),
                );
            }
            lines.push("Press Enter when that is so.".into());
            lines
        }
        Prompt::Meter { channel, shunts, refused, known_from, .. } => {
            let c = &board.channels[*channel];
            let Kind::Meter { against, .. } = c.kind else { return Vec::new() };
            let [a, b] = [c.net, against].map(|net| board.net_name(net));
            let mut lines: Vec<String> = refused.iter().cloned().collect();
            if let (Some(attempt), None) = (known_from, refused) {
                lines.push(format!(
                    "Only if this is the unit of attempt {attempt}: once more what was measured then, \
                     and the values of that attempt count."
                ));
            }
            lines.extend(match shunts {
                Shunts::All(setting) => whole_setting(board, setting),
                Shunts::Moved(moves) => moves_text(board, moves),
            });
            lines.push(format!(
                "Measure {a} to {b}, the power off, and type what the meter shows (4k7, 470; OL for \
                 over range; skip if it cannot be)."
            ));
            lines
        }
        Prompt::Rails { refused } => {
            let [net, ground] = [board.supply.net, board.supply.ground].map(|n| board.net_name(n));
            let mut lines: Vec<String> = refused.iter().cloned().collect();
            if refused.is_none() {
                lines.push("Take every shunt off the board.".into());
            }
            lines.push(format!(
                "Measure {net} to {ground}, the power off, red tip to {net}, and type what the \
                 meter shows (4k7, 470; OL for over range; skip if it cannot be)."
            ));
            lines
        }
        Prompt::FlashProbe { why } => flash_probe(board, why),
        Prompt::Report { expected } => vec![
            "The product is on the unit now: look at what it reads.".into(),
            format!("Does it report {}? Enter = yes; Space = no.", expected.join(", ")),
        ],
        Prompt::SupplyVolts { loads, refused } => {
            let [a, b] = [board.supply.net, board.supply.ground].map(|net| board.net_name(net));
            let mut lines: Vec<String> = refused.iter().cloned().collect();
            let on = match loads.as_slice() {
                [] => "no load".to_string(),
                [_] => format!("{} is on now", board.load_names(loads, " and ")),
                _ => format!("{} are on now", board.load_names(loads, " and ")),
            };
            lines.push(format!(
                "Measure {a} to {b}, the power on and {on}, and type what the meter shows (5.02V; \
                 skip if it cannot be)."
            ));
            lines
        }
        Prompt::PowerOn { moves } => {
            let mut lines = moves_text(board, moves);
            lines.push(
                "Take the meter off, plug the unit in and switch it on, then press Enter.".into(),
            );
            lines
        }
        Prompt::OnPurpose { jumper, to, wrong, .. } => {
            let j = &board.jumpers[*jumper];
            let what = match (wrong, to) {
                (true, Place::Open) => format!("On purpose: leave the shunt off {}", j.id),
                (true, _) => {
                    format!("On purpose: the shunt of {} one place along, {}", j.id, on(j, *to))
                }
                (false, _) => format!("Put it right again: the shunt of {} {}", j.id, on(j, *to)),
            };
            vec![format!("{what}; then press Enter.")]
        }
        Prompt::AsItWas { attempt, setting } => vec![
            format!("Attempt {attempt} was cut short with {}.", setting.text(board)),
            "Put every shunt so and press Enter. Space = start anew.".into(),
        ],
        Prompt::Clear { to } if *to == Setting::all_open(board) => {
            vec!["Take every shunt off the board, then press Enter.".into()]
        }
        Prompt::Clear { to } => {
            let mut lines = whole_setting(board, to);
            lines.push("Press Enter when that is so.".into());
            lines
        }
        Prompt::Move { jumper, from, to, key_needed } => {
            let j = &board.jumpers[*jumper];
            let mut text = move_text(j, *from, *to);
            if *key_needed {
                text += ". No reading can tell: press Enter when it is there";
            }
            vec![format!("{text}.")]
        }
        Prompt::MoveUnpowered { jumper, from, to } => {
            let text = move_text(&board.jumpers[*jumper], *from, *to);
            vec![
                "Switch the power off and unplug the unit.".to_string(),
                format!("{text}. Then plug it in again."),
            ]
        }
        Prompt::Doubt { jumper, asked, reads_as } if *reads_as == Some(*asked) => {
            let j = &board.jumpers[*jumper];
            let (off_and_on, cannot) = match asked {
                Place::At(_) => ("Lift it once and put it back", "cannot be lifted"),
                Place::Open => ("Press the shunt on once and take it off", "cannot be put on"),
            };
            vec![
                format!("{} read as {} before it was asked for.", j.id, j.place_name(*asked)),
                format!("{off_and_on}, so that the reading shows it."),
                format!("Enter = it {cannot}, go on untested; Space = wait."),
            ]
        }
        // The question is also whether the shunt is there: a pin between its levels may change while
        // the hand is still on its way, and a yes ends the move.
        Prompt::Strayed { jumper, asked, channel } => {
            let j = &board.jumpers[*jumper];
            let (id, other) = (&j.id, &board.channels[*channel].id);
            vec![
                format!("{other} has changed too, and {id} has no part in it."),
                format!(
                    "Is the shunt of {id} {}, and was nothing else touched? Enter = yes; Space = \
                     no: put the rest back, then move {id} once more by itself.",
                    on(j, *asked)
                ),
            ]
        }
        Prompt::Doubt { jumper, asked, reads_as } => {
            let j = &board.jumpers[*jumper];
            let reads = match reads_as {
                Some(Place::Open) => "as if no shunt made contact".to_string(),
                Some(place) => format!("as {}", j.place_name(*place)),
                None => "as no position".to_string(),
            };
            vec![format!(
                "{} reads {reads}: is the shunt {}? Enter = yes, it is; Space = no, wait.",
                j.id,
                on(j, *asked)
            )]
        }
        Prompt::Unstable { jumper } => {
            let id = &board.jumpers[*jumper].id;
            vec![format!(
                "{id} does not come to rest: press the shunt home, or look at its contact."
            )]
        }
        Prompt::Question { question } => {
            vec![format!("{} Enter = yes; Space = no.", board.questions[*question].ask)]
        }
        Prompt::OtherUnit { written } => vec![format!(
            "This chip was identified as unit {written}: is it the right unit all the same? Enter \
             = yes, go on; Space = no, stop."
        )],
        Prompt::HandsOff => {
            vec!["Delivery setting reached. Hands off: everything is read once more.".into()]
        }
    }
}

/// What is said to somebody who typed a word where a key is wanted, or where none is.
pub fn no_key(asked: Option<&Prompt>, word: &str) -> String {
    let word = word.trim();
    match asked {
        None => format!("`{word}`: words are not read here, Enter alone, Space or Backspace"),
        Some(
            Prompt::OtherUnit { .. }
            | Prompt::FlashProbe { .. }
            | Prompt::Report { .. }
            | Prompt::AsItWas { .. }
            | Prompt::Doubt { .. }
            | Prompt::Strayed { .. }
            | Prompt::Question { .. },
        ) => format!("`{word}` is no answer here: press Enter alone, or Space"),
        Some(_) => format!("`{word}` is no answer here: press Enter alone when it is done"),
    }
}

/// What happens when the probe is put on a unit, and the one key for it.
fn flash_probe(board: &Board, why: &str) -> Vec<String> {
    let with = |task: Task| board.commands.get(task).map(|c| c.words[0].as_str());
    let mut lines = vec![format!("No probe answers: {why}.")];
    let replaced = format!(
        "{} then replaces the program on the unit by the probe",
        with(Task::FlashProbe).unwrap_or_default()
    );
    lines.push(match (with(Task::Save), with(Task::Restore)) {
        (Some(save), Some(_)) => format!(
            "{save} first saves the program that is on the unit; {replaced}. It is put back at the \
             end, unless the product is."
        ),
        (Some(save), None) => {
            format!("{save} first saves the program that is on the unit; {replaced}.")
        }
        (None, _) => format!("Nothing is saved: {replaced}, and what was there is lost."),
    });
    lines.push("Enter = do it; Space = no, leave the unit as it is.".into());
    lines
}

/// A command that was run, on one line.
fn ran(ran: &Ran) -> String {
    let seconds = ran.took.as_secs_f64();
    let how = match &ran.problem {
        Some(why) => format!("failed: {why}"),
        None => format!("done in {seconds:.1} s"),
    };
    format!("{} {how}", ran.task.word())
}

/// Where the sequence is, short: `J1=3`.
pub fn place(board: &Board, at: &StepAt) -> String {
    match at.moved {
        Some((jumper, place)) => {
            let j = &board.jumpers[jumper];
            format!("{}={}", j.id, j.place_name(place))
        }
        None if at.step == 0 => "no shunts".into(),
        None => "delivery".into(),
    }
}

/// A reading judged, on one line.
pub fn check(board: &Board, check: &Check) -> String {
    let channel = &board.channels[check.channel].id;
    let read = match (&check.burst, check.kind) {
        (Some(b), Kind::Analog) => format!("{:.1}", b.mean),
        (Some(b), Kind::Digital) => {
            let word = if b.mean > 0.99 { "high" } else { "low" };
            if b.min == b.max { word.to_string() } else { "between".to_string() }
        }
        (_, Kind::Meter { .. }) => match &check.typed {
            Some(typed) => format!("{} typed in", typed.ohms),
            None => "no reading".into(),
        },
        (None, _) => "no reading".into(),
    };
    let option = match (&check.option_read, &check.option_expected) {
        (_, None) if check.mode == Mode::Meter => check.position.clone(),
        (Some(option), _) => option.clone(),
        (None, Some(_)) => "no option".into(),
        (None, None) => "at rest".into(),
    };
    let margin = match check.margin_code {
        Some(m) if m.is_finite() => format!(", margin {m:.0} codes"),
        _ => String::new(),
    };
    let on = match check.on.as_slice() {
        [] => String::new(),
        on => format!(" with {} on", on.join(" and ")),
    };
    let why =
        if check.verdict == Verdict::Pass { String::new() } else { format!(": {}", check.reason) };
    format!("{channel}{on} {read}, {option}{margin} {}{why}", check.verdict.word())
}

/// The supply itself, on one line.
pub fn volts(board: &Board, check: &VoltsCheck) -> String {
    let read = check.volts.map_or("not measured".to_string(), |volts| format!("{:.2} V", volts.0));
    let by = match &check.by {
        By::DataSheet => format!(", give or take {:.0} %,", 100.0 * supply::share_off(board)),
        By::Calibration(c) => format!(" by the reference as calibrated on {}", c.on),
        By::Meter(_) => " by meter".to_string(),
        By::NoMeter => String::new(),
    };
    let why =
        if check.verdict == Verdict::Pass { String::new() } else { format!(": {}", check.reason) };
    format!("{read}{by} {}{why}", check.verdict.word())
}

/// A load tried, or all at once, on one line.
pub fn supply(board: &Board, check: &SupplyCheck) -> String {
    let load = board.load_names(&check.loads, " and ");
    let figures = match sag::figures(board, check) {
        Some(s) => {
            format!("sag {} ({:.2} %), lowest {:.2} V", s.sag, 100.0 * s.ratio, s.lowest.0)
        }
        None => "no sag read".into(),
    };
    let why =
        if check.verdict == Verdict::Pass { String::new() } else { format!(": {}", check.reason) };
    format!("{load} {figures} {}{why}", check.verdict.word())
}

/// How the run ended, in a few lines, the verdict first.
pub fn summary(board: &Board, unit: &str, summary: &Summary) -> Vec<String> {
    let mut lines = vec![format!("{unit} {}", summary.verdict.word())];
    lines.extend(summary.reasons.iter().map(|r| format!("because {r}")));
    if let Some(w) = &summary.worst {
        // Of a unit that fails, a good figure is easily taken for the unit's.
        let of_which = match (summary.verdict, w.verdict) {
            (UnitVerdict::Fail, Verdict::Pass) => " of the readings that passed:",
            _ => "",
        };
        lines.push(format!(
            "smallest remaining margin{of_which} {:.1} codes (margin now {:.1}, {:.0} % of nominal): {} {}",
            w.remaining_code, w.margin_code, w.margin_pct, board.channels[w.channel].id, w.position
        ));
    }
    if let Some(sag) = &summary.sag {
        let (mv, percent) = (1000.0 * sag.volts.0, 100.0 * sag.ratio);
        let on = board.load_names(&sag.loads, " and ");
        lines.push(format!("largest sag {mv:.0} mV ({percent:.2} %) with {on}"));
    }
    match summary.verdict {
        UnitVerdict::Hold => lines.push(
            "reads right, but not as a good unit would: keep it aside for a decision".to_string(),
        ),
        UnitVerdict::Incomplete => {
            lines.push("not everything was tested: test it again".to_string());
        }
        UnitVerdict::Pass | UnitVerdict::Fail => {}
    }
    if summary.verdict == UnitVerdict::Pass && summary.unseen > 0 {
        lines.push(format!(
            "{} modelled defects show in no reading; `strapwise windows BOARD --coverage` names \
             each, with what shows it",
            summary.unseen
        ));
    }
    lines
}

/// Events that a plain screen shows, one a line, each with its kind in front.
pub fn event(board: &Board, unit: &str, event: &Event) -> Vec<(&'static str, String)> {
    match event {
        Event::Live(_) | Event::Watched(_) => Vec::new(),
        Event::Probe(info) => {
            let identity = match info.identity.as_str() {
                "" => "no identity yet".to_string(),
                id => format!("identity {id}"),
            };
            vec![("probe", format!("{} {}, {identity}", info.model, info.version))]
        }
        Event::Note(note) => vec![("note", note.clone())],
        Event::Remark { text, .. } => vec![("noted", text.clone())],
        Event::Retest(retest) => {
            let mut lines = vec![("retest", format!("because: {}", retest.reason))];
            lines.extend(retest.held.iter().map(|why| ("", format!("HOLD at best: {why}"))));
            lines
        }
        Event::Delivery(setting) => {
            vec![("deliver", format!("this unit leaves with {}", setting.text(board)))]
        }
        Event::OnPurpose { jumper, read, wrong, verdict, reason, .. } => {
            let j = &board.jumpers[*jumper];
            let reads = read.map_or("no position", |p| j.place_name(p));
            let said = match (verdict, wrong) {
                (Verdict::Pass, true) => format!("{} reads as {reads}, and is refused", j.id),
                (Verdict::Pass, false) => format!("{} reads as {reads} again", j.id),
                _ => reason.clone(),
            };
            vec![("purpose", format!("{said} {}", verdict.word()))]
        }
        Event::Resumed { attempt, values: 0, steps: 0, why } => {
            vec![("resume", format!("from the start, not from attempt {attempt}: {why}"))]
        }
        Event::Resumed { attempt, values: 0, steps, why } => vec![(
            "resume",
            format!("{steps} steps of attempt {attempt} count: every channel shows it; {why}"),
        )],
        Event::Resumed { attempt, values, why, .. } => {
            vec![("resume", format!("{values} values of attempt {attempt} count: {why}"))]
        }
        Event::Covers { shown, of, .. } => {
            vec![("covers", format!("{shown} of {of} modelled defects show in this sequence"))]
        }
        Event::Kept(_) => Vec::new(),
        Event::PutBack => {
            vec![("note", "the identity is off the chip again, what was there is back".into())]
        }
        Event::Presence { part, found, .. } => {
            vec![("bus", presence_note(board, *part, *found))]
        }
        Event::NoIdentity(why) => vec![("note", format!("no identity on the chip: {why}"))],
        Event::Prompt { at, steps, prompt: asked } => {
            let kind = match asked {
                Prompt::Move { .. } | Prompt::MoveUnpowered { .. } | Prompt::Clear { .. } => "do",
                Prompt::AsItWas { .. } | Prompt::OnPurpose { .. } => "do",
                Prompt::Meter { .. } | Prompt::Rails { .. } | Prompt::SupplyVolts { .. } => "meter",
                Prompt::PowerOn { .. } => "power",
                Prompt::Cautions => "caution",
                Prompt::Doubt { .. }
                | Prompt::Strayed { .. }
                | Prompt::Question { .. }
                | Prompt::OtherUnit { .. }
                | Prompt::FlashProbe { .. }
                | Prompt::Report { .. } => "ask",
                Prompt::Unstable { .. } | Prompt::HandsOff => "note",
            };
            let step = match asked {
                Prompt::Move { .. } | Prompt::MoveUnpowered { .. } => {
                    format!("[{}/{}] ", at.step, steps - 2)
                }
                Prompt::Meter { of: (number, count), .. } => format!("[{number}/{count}] "),
                _ => String::new(),
            };
            let lines = prompt(board, asked);
            // Of these only the last line asks.
            let tells = matches!(
                asked,
                Prompt::FlashProbe { .. }
                    | Prompt::Report { .. }
                    | Prompt::AsItWas { .. }
                    | Prompt::Clear { .. }
                    | Prompt::Doubt { .. }
                    | Prompt::Strayed { .. }
            );
            let last = lines.len().saturating_sub(1);
            let kind = |i: usize| if tells && i < last { "note" } else { kind };
            let line = |(i, l): (usize, String)| (kind(i), format!("{step}{l}"));
            lines.into_iter().enumerate().map(line).collect()
        }
        Event::Moved(at) => {
            let by = at.moved_by.map_or("", |m| m.word());
            vec![("moved", format!("{} ({by})", place(board, at)))]
        }
        Event::Check { check: c, .. } => vec![("check", check(board, c))],
        Event::Volts(check) => vec![("supply", volts(board, check))],
        Event::Supply { check, .. } => vec![("supply", supply(board, check))],
        Event::Answered { question, yes, verdict, .. } => {
            let said = if *yes { "yes" } else { "no" };
            let id = &board.questions[*question].id;
            vec![("answer", format!("{id}: {said} {}", verdict.word()))]
        }
        Event::Fuses { found, verdict, reason } => {
            let found = found.map(|f| format!("{} ", Fuses(f.map(Some)).text()));
            let why = if reason.is_empty() { String::new() } else { format!(": {reason}") };
            vec![("fuses", format!("{}{}{why}", found.unwrap_or_default(), verdict.word()))]
        }
        Event::Rails { typed, verdict, reason, .. } => {
            let shown = typed.as_ref().map_or("no reading".to_string(), |t| t.ohms.to_string());
            let why = if reason.is_empty() { String::new() } else { format!(": {reason}") };
            vec![("check", format!("supply to ground {shown} typed in {}{why}", verdict.word()))]
        }
        Event::Running(task) => {
            let line = board.commands.get(*task).map(|c| c.words.join(" ")).unwrap_or_default();
            vec![("command", format!("{}: {line}", task.word()))]
        }
        Event::Ran(command) => vec![("command", ran(command))],
        Event::Reported { expected, verdict, reason, .. } => {
            let why = if reason.is_empty() { String::new() } else { format!(": {reason}") };
            vec![("report", format!("{} {}{why}", expected.join(", "), verdict.word()))]
        }
        Event::Rebooted(boot) => vec![("note", format!("the probe was reset ({})", boot.cause))],
        Event::Voided { why, .. } => vec![("note", why.clone())],
        Event::Finished(s) => {
            let mut lines = summary(board, unit, s).into_iter();
            let first = lines.next().map(|l| ("verdict", l));
            first.into_iter().chain(lines.map(|l| ("", l))).collect()
        }
    }
}
