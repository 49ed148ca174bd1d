//! The order of settings that the operator is led through.

mod coupled;
mod every;
pub mod meter;
mod search;
mod smooth;
mod time;
mod weave;

use crate::board::{Board, Kind, NetId, Place, Question, Setting};
use crate::circuit::{self, Group, Parts};
use crate::faults::{self, Coverage, Fault, Views};
use crate::window::Windows;
use search::{Problem, Way};
use std::fmt;
use std::sync::OnceLock;

/// Settings of one group that are gone through; a bigger one is refused.
pub const MOST_SETTINGS: usize = 4096;

/// One shunt moved once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Move {
    /// Jumper index.
    pub jumper: usize,
    /// From here.
    pub from: Place,
    /// To here.
    pub to: Place,
}

/// A setting to be measured, and the move that leads to it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// The setting.
    pub setting: Setting,
    /// The move from the step before; none for the first and the last.
    pub made: Option<Move>,
    /// Channels that are read, of those that a pin reads: all of them first and last, else those that
    /// the moved jumper has a part in, and digital ones beside them.
    pub reads: Vec<usize>,
}

/// The sequence: the first step is the start, the last the delivery setting with hands off.
#[derive(Clone, Debug, PartialEq)]
pub struct Walk {
    /// What is measured by meter before the power is on.
    pub metered: Vec<meter::Stop>,
    /// The steps in order.
    pub steps: Vec<Step>,
    /// Moves that no sequence with the same aims can do without.
    pub least: usize,
    /// The groups of jumpers that a pin reads, in the order in which they are first gone through,
    /// where nothing makes them alternate.
    pub legs: Vec<Leg>,
    /// What a pass of this sequence means.
    pub coverage: Coverage,
    /// The smallest faults that it shows, once somebody has asked.
    smallest: OnceLock<Vec<String>>,
}

/// The part of the sequence that leads one group of jumpers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Leg {
    /// Its jumpers, ascending.
    pub jumpers: Vec<usize>,
    /// Moves that it takes.
    pub moves: usize,
    /// Moves that no way through the group with the same aims can do without.
    pub least: usize,
    /// Changes of header on the way.
    pub headers: usize,
    /// Those that the first shortest way found has more.
    pub spared: usize,
}

impl Walk {
    /// The settings, each with the channels that are read in it.
    pub fn looks(&self) -> impl Iterator<Item = (Setting, Vec<usize>)> + '_ {
        self.steps.iter().map(|s| (s.setting.clone(), s.reads.clone()))
    }

    /// The smallest faults of each channel that the sequence shows, in words; worked out once.
    pub fn smallest_shown(&self, board: &Board, windows: &Windows) -> &[String] {
        self.smallest.get_or_init(|| faults::smallest_shown(board, windows, self.looks()))
    }

    /// How many shunts are moved.
    pub fn moves(&self) -> usize {
        self.steps.iter().filter(|s| s.made.is_some()).count()
    }
}

/// Why there is no sequence for a board.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WalkProblem {
    /// Jumpers that influence each other have too many settings.
    TooMany {
        /// The jumpers.
        jumpers: Vec<String>,
    },
    /// Every way to a setting that must be tested leads through one that shorts the supply.
    CutOff {
        /// The jumpers.
        jumpers: Vec<String>,
    },
}

impl fmt::Display for WalkProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            WalkProblem::TooMany { jumpers } => write!(
                f,
                "{} influence each other and have more than {MOST_SETTINGS} settings together: \
                 test the circuit in parts, with a board file for each",
                jumpers.join(", ")
            ),
            WalkProblem::CutOff { jumpers } => write!(
                f,
                "{}: some setting can be reached only through one that shorts the supply; look at \
                 the nets that their positions join",
                jumpers.join(", ")
            ),
        }
    }
}

impl std::error::Error for WalkProblem {}

/// Plans the sequence from a board without shunts to its delivery setting; see [`plan_from`].
pub fn plan(board: &Board, windows: &Windows, delivery: &Setting) -> Result<Walk, WalkProblem> {
    plan_from(board, windows, &Setting::all_open(board), delivery)
}

/// Plans a sequence in which every combination of places is read that belongs together: of the
/// jumpers that influence each other, that one question asks about, or that one set of options is
/// read from.
pub fn plan_every(
    board: &Board,
    windows: &Windows,
    delivery: &Setting,
) -> Result<Walk, WalkProblem> {
    plan_as(board, windows, [&Setting::all_open(board), delivery], true)
}

/// Plans the sequence from where the shunts are to the delivery setting.
///
/// Group by group, since jumpers of different groups do not influence each other's readings, and
/// one after the other, since alternating saves no move and costs changes of header; only where a
/// defect that joins two groups would stay unseen do their ways alternate, or go a detour, so that
/// it is seen if any pair of their settings shows it. In each group, in as few moves as can be,
/// with as few power cycles and then as few changes of header as those allow: every place that the
/// maker uses is visited, every option that the group's channels tell apart is read, every question
/// can be asked, and every modelled defect that some setting of the group shows is shown. Each
/// setting on the way is measured too.
/// Settings that short the supply are never passed.
pub fn plan_from(
    board: &Board,
    windows: &Windows,
    start: &Setting,
    delivery: &Setting,
) -> Result<Walk, WalkProblem> {
    plan_as(board, windows, [start, delivery], false)
}

fn plan_as(
    board: &Board,
    windows: &Windows,
    [start, delivery]: [&Setting; 2],
    all: bool,
) -> Result<Walk, WalkProblem> {
    let (by_meter, groups): (Vec<Group>, Vec<Group>) =
        planned_together(board, all).into_iter().partition(|g| meter::alone(board, g));
    let alone: Vec<usize> = by_meter.into_iter().flat_map(|group| group.jumpers).collect();
    let begin = alone.iter().fold(start.clone(), |s, &j| s.with(j, delivery.0[j]));
    let metered = meter::plan(board, windows, &begin, &alone);
    let every = meter::others(board);
    let faults = faults::modelled(board);
    // What a good unit shows is worked out once for all that follows.
    let known = Views::new(board, windows, []);
    let mut plans = Vec::new();
    let (mut ways, mut legs) = (Vec::new(), Vec::new());
    for group in groups {
        let plan = Plan::new(board, windows, (&faults, &known), [start, delivery], group)?;
        let (way, leg) = plan.way(all).ok_or_else(|| plan.cut_off())?;
        ways.push(way.stops);
        legs.push(leg);
        plans.push(plan);
    }
    let mut course = Course::one_by_one(ways, legs);
    let sequence = Sequence { board, known, faults, all, begin, every };
    let mut steps = sequence.steps(&plans, &course);
    let looks = |steps: &[Step]| {
        let look = |s: &Step| (s.setting.clone(), s.reads.clone());
        steps.iter().map(look).collect::<Vec<_>>()
    };
    let held = |steps: &[Step]| sequence.known.of(looks(steps)).sightings(&sequence.faults);
    let mut found = held(&steps);
    let unseen: Vec<Fault> = found.iter().filter(|(_, at)| at.is_none()).map(|f| f.0).collect();
    if coupled::show(&sequence, &mut plans, &mut course, &mut steps, &unseen) {
        found = held(&steps);
    }
    let coverage = faults::coverage_of(board, found);
    let coverage = meter::shown(board, &metered, coverage);
    let legs = course.legs;
    let least = course.more + legs.iter().map(|leg| leg.least).sum::<usize>();
    Ok(Walk { metered, steps, least, legs, coverage, smallest: OnceLock::new() })
}

/// What is the same for every course through a board.
struct Sequence<'a> {
    board: &'a Board,
    /// What is known of a good unit, of no setting in particular.
    known: Views<'a>,
    /// Every modelled defect.
    faults: Vec<Fault>,
    /// Whether every used combination of places is read.
    all: bool,
    /// Where the shunts are when the power comes on.
    begin: Setting,
    /// The channels that a pin reads.
    every: Vec<usize>,
}

/// A way through each group, and whose turn it is.
#[derive(Clone)]
struct Course {
    /// By plan: its stops, the start first.
    ways: Vec<Vec<usize>>,
    legs: Vec<Leg>,
    /// By move: the plan whose way goes on.
    order: Vec<usize>,
    /// Moves by which the bounds of groups that are joined are above those of each alone.
    more: usize,
}

impl Course {
    fn one_by_one(ways: Vec<Vec<usize>>, legs: Vec<Leg>) -> Course {
        let each = ways.iter().enumerate();
        let order = each.flat_map(|(plan, way)| vec![plan; way.len() - 1]).collect();
        Course { ways, legs, order, more: 0 }
    }
}

impl Sequence<'_> {
    fn steps(&self, plans: &[Plan<'_>], course: &Course) -> Vec<Step> {
        let reads: Vec<Vec<usize>> =
            plans.iter().map(|plan| read_beside(self.board, &self.faults, &plan.nets)).collect();
        let mut setting = self.begin.clone();
        let mut at = vec![0; plans.len()];
        let mut steps =
            vec![Step { setting: setting.clone(), made: None, reads: self.every.clone() }];
        for &plan in &course.order {
            let way = &course.ways[plan];
            let made = plans[plan].made(way[at[plan]], way[at[plan] + 1]);
            at[plan] += 1;
            setting = setting.with(made.jumper, made.to);
            let reads = reads[plan].clone();
            steps.push(Step { setting: setting.clone(), made: Some(made), reads });
        }
        steps.push(Step { setting, made: None, reads: self.every.clone() });
        steps
    }
}

/// The channels at these nets, with the digital ones whose pins are beside theirs: a level takes no
/// time to read, and a bridge between two pins shows only while one of them is moved.
fn read_beside(board: &Board, faults: &[Fault], nets: &[NetId]) -> Vec<usize> {
    let mut reads = read_in(board, nets);
    for fault in faults {
        if let Fault::ChannelsBridged { channels: [a, b], .. } = *fault {
            for (one, other) in [(a, b), (b, a)] {
                let digital = board.channels[other].kind == Kind::Digital;
                if nets.contains(&board.channels[one].net) && digital && !reads.contains(&other) {
                    reads.push(other);
                }
            }
        }
    }
    reads.sort_unstable();
    reads
}

/// The channels at these nets that a pin reads.
fn read_in(board: &Board, nets: &[NetId]) -> Vec<usize> {
    let inside = |&c: &usize| nets.contains(&board.channels[c].net);
    meter::others(board).into_iter().filter(inside).collect()
}

/// Groups of jumpers, those united that one question asks about, and where that is wanted those that
/// one set of options is read from; in the order of the jumpers.
fn planned_together(board: &Board, by_options: bool) -> Vec<Group> {
    let mut found: Vec<Group> = Vec::new();
    for group in circuit::groups(board).into_iter().filter(|g| !g.jumpers.is_empty()) {
        let asks_both = |other: &Group| {
            board.questions.iter().any(|q| {
                let asks = |g: &Group| q.when.iter().any(|(j, _)| g.jumpers.contains(j));
                asks(&group) && asks(other)
            }) || board.options.iter().filter(|_| by_options).any(|set| {
                let reads = |g: &Group| {
                    set.channels.iter().any(|&c| g.nets.contains(&board.channels[c].net))
                };
                reads(&group) && reads(other)
            })
        };
        let (mut joined, apart): (Vec<Group>, Vec<Group>) = found.into_iter().partition(asks_both);
        joined.push(group);
        let mut one = Group { jumpers: Vec::new(), nets: Vec::new() };
        for group in joined {
            one.jumpers.extend(group.jumpers);
            one.nets.extend(group.nets);
        }
        one.jumpers.sort_unstable();
        one.nets.sort_unstable();
        found = apart;
        found.push(one);
    }
    found.sort_by_key(|g| g.jumpers[0]);
    found
}

/// The planning of one group.
struct Plan<'a> {
    board: &'a Board,
    delivery: &'a Setting,
    jumpers: Vec<usize>,
    nets: Vec<NetId>,
    /// The places of each of the jumpers, `open` last.
    places: Vec<Vec<Place>>,
    problem: Problem,
}

impl<'a> Plan<'a> {
    fn new(
        board: &'a Board,
        windows: &Windows,
        (faults, known): (&[Fault], &Views<'_>),
        [start, delivery]: [&'a Setting; 2],
        group: Group,
    ) -> Result<Plan<'a>, WalkProblem> {
        let places: Vec<Vec<Place>> = group.jumpers.iter().map(|&j| places(board, j)).collect();
        let radix: Vec<usize> = places.iter().map(Vec::len).collect();
        let count = radix.iter().try_fold(1_usize, |n, &m| n.checked_mul(m));
        let Some(count) = count.filter(|&n| n <= MOST_SETTINGS) else {
            return Err(WalkProblem::TooMany { jumpers: names(board, &group.jumpers) });
        };
        let problem =
            Problem { radix, allowed: vec![true; count], start: 0, end: 0, wants: vec![] };
        let Group { jumpers, nets } = group;
        let mut plan = Plan { board, delivery, jumpers, nets, places, problem };
        plan.problem.start = plan.stop(start);
        plan.problem.end = plan.stop(delivery);
        plan.aim(windows, faults, known);
        Ok(plan)
    }

    /// Says which settings may be passed and which must be.
    fn aim(&mut self, windows: &Windows, faults: &[Fault], known: &Views<'_>) {
        let board = self.board;
        let channels = read_in(board, &self.nets);
        let settings: Vec<Setting> =
            (0..self.problem.allowed.len()).map(|s| self.setting(s)).collect();
        self.problem.allowed = settings.iter().map(|s| may_be_set(board, s)).collect();
        let mut wants = self.every_place();
        for &channel in &channels {
            let classes = &windows.channels[channel];
            let of = |s: &Setting| classes.class_of_setting(s);
            let class = |class: usize| self.stops(&settings, |s| of(s) == Some(class));
            wants.extend((0..classes.classes.len()).map(class));
        }
        for question in &board.questions {
            let mine = question.when.iter().filter(|(j, _)| self.jumpers.contains(j));
            let when: Vec<(usize, Place)> = mine.copied().collect();
            if !when.is_empty() {
                wants.push(self.stops(&settings, |s| when.iter().all(|&(j, p)| s.0[j] == p)));
            }
        }
        // One that reaches into another group depends on what is set there meanwhile: see `coupled`.
        let group = self.group();
        let mine = |f: &Fault| inside(board, &group, *f);
        let faults: Vec<Fault> = faults.iter().copied().filter(mine).collect();
        let looks = settings.into_iter().map(|s| (s, channels.clone()));
        let views = known.of(looks);
        let allowed = &self.problem.allowed;
        wants.extend(views.each_seen_in(&faults).into_iter().map(|mut seen| {
            seen.retain(|&s| allowed[s]);
            seen
        }));
        // What cannot be met is told by the coverage or by the window that has no setting.
        self.problem.wants = wants.into_iter().filter(|w: &Vec<usize>| !w.is_empty()).collect();
        self.problem.reduce();
    }

    fn group(&self) -> Group {
        Group { jumpers: self.jumpers.clone(), nets: self.nets.clone() }
    }

    /// The way that passes one of these stops too; none, and nothing changed, where it cannot.
    fn also(&mut self, stops: Vec<usize>, all: bool) -> Option<(Way, Leg)> {
        let before = self.problem.wants.clone();
        self.problem.wants.push(stops);
        self.problem.reduce();
        let found = self.way(all);
        if found.is_none() {
            self.problem.wants = before;
        }
        found
    }

    /// The way through the group, every used combination of places if `all`; none where there is
    /// none.
    fn way(&self, all: bool) -> Option<(Way, Leg)> {
        let (problem, power) = (&self.problem, self.power());
        let first = match all {
            true => problem.every(&self.used()),
            false => problem.solve(),
        }?;
        let before = problem.cost(&first.stops, &power);
        let way = if all { first } else { problem.smooth(first, &power) };
        let headers = problem.cost(&way.stops, &power).1;
        let leg = Leg {
            jumpers: self.jumpers.clone(),
            moves: way.stops.len() - 1,
            least: way.least,
            headers,
            spared: before.1.saturating_sub(headers),
        };
        Some((way, leg))
    }

    /// By jumper of the group: whether its shunt is moved with the power off.
    fn power(&self) -> Vec<bool> {
        self.jumpers.iter().map(|&j| self.board.jumpers[j].power).collect()
    }

    /// The stops that may be set and hold.
    fn stops(&self, settings: &[Setting], holds: impl Fn(&Setting) -> bool) -> Vec<usize> {
        let good = |&s: &usize| self.problem.allowed[s] && holds(&settings[s]);
        (0..settings.len()).filter(good).collect()
    }

    /// By stop: whether the maker uses it.
    fn used(&self) -> Vec<bool> {
        let used = |stop: usize| {
            self.jumpers.iter().enumerate().all(|(i, &jumper)| {
                let place = self.places[i][self.problem.digit(stop, i)];
                self.board.jumpers[jumper].places().contains(&place)
            })
        };
        (0..self.problem.allowed.len()).map(used).collect()
    }

    /// Every place that the maker uses.
    fn every_place(&self) -> Vec<Vec<usize>> {
        let mut wants = Vec::new();
        for (i, &jumper) in self.jumpers.iter().enumerate() {
            for place in self.board.jumpers[jumper].places() {
                let at = |&s: &usize| {
                    self.problem.allowed[s] && self.places[i][self.problem.digit(s, i)] == place
                };
                wants.push((0..self.problem.allowed.len()).filter(at).collect());
            }
        }
        wants
    }

    /// The stop that a setting is for this group.
    fn stop(&self, setting: &Setting) -> usize {
        let mut stop = 0;
        for (&jumper, places) in self.jumpers.iter().zip(&self.places).rev() {
            let place = places.iter().position(|&p| p == setting.0[jumper]);
            stop = stop * places.len() + place.unwrap_or(places.len() - 1);
        }
        stop
    }

    /// The setting of a stop, the other jumpers as delivered.
    fn setting(&self, stop: usize) -> Setting {
        self.set(self.delivery.clone(), stop)
    }

    /// A setting with the jumpers of the group as at a stop.
    fn set(&self, mut setting: Setting, stop: usize) -> Setting {
        for (i, &jumper) in self.jumpers.iter().enumerate() {
            setting.0[jumper] = self.places[i][self.problem.digit(stop, i)];
        }
        setting
    }

    /// The move between two stops that differ in one jumper.
    fn made(&self, from: usize, to: usize) -> Move {
        let differs = |&i: &usize| self.problem.digit(from, i) != self.problem.digit(to, i);
        let i = (0..self.jumpers.len()).find(differs).unwrap_or(0);
        let place = |stop: usize| self.places[i][self.problem.digit(stop, i)];
        Move { jumper: self.jumpers[i], from: place(from), to: place(to) }
    }

    fn cut_off(&self) -> WalkProblem {
        WalkProblem::CutOff { jumpers: names(self.board, &self.jumpers) }
    }
}

/// Whether a defect bears on nothing but a group and the rails.
fn inside(board: &Board, group: &Group, fault: Fault) -> bool {
    let reach = fault.reach(board);
    let rail = |n: &NetId| [board.supply.net, board.supply.ground].contains(n);
    reach.touches(board, group)
        && reach.nets.iter().all(|n| rail(n) || group.nets.contains(n))
        && reach.jumpers.iter().all(|j| group.jumpers.contains(j))
}

/// The places of a jumper, `open` last, whether or not the maker uses it: every shunt is off in
/// the beginning.
fn places(board: &Board, jumper: usize) -> Vec<Place> {
    let positions = (0..board.jumpers[jumper].positions.len()).map(Place::At);
    positions.chain([Place::Open]).collect()
}

/// Whether a setting leaves the supply alone, with all switches open, with those closed that some
/// channel needs, and with those that a question needs which is asked there.
fn may_be_set(board: &Board, setting: &Setting) -> bool {
    let parts = Parts::nominal(board);
    let of_channels = board.channels.iter().map(|c| &c.closes[..]);
    let holds = |q: &&Question| q.when.iter().all(|&(j, p)| setting.0[j] == p);
    let of_questions = board.questions.iter().filter(holds).map(|q| &q.closes[..]);
    let closed = of_channels.chain(of_questions).chain([&[][..]]);
    closed.into_iter().all(|c| circuit::short(board, &parts, setting, c).is_none())
}

fn names(board: &Board, jumpers: &[usize]) -> Vec<String> {
    jumpers.iter().map(|&j| board.jumpers[j].id.clone()).collect()
}
