//! How good and how quick the sequences of generated boards are: twenty ordinary boards, twenty hard
//! ones that begin with the shunts anywhere, a board of 12 jumpers and 60 resistors, and one group
//! of 4,096 settings.
//!
//! A line for each kind: `least` is the planner's own bound, `counted` the weaker one that counts
//! jumper by jumper; `over` says by how much the moves of a board exceed each, on average and on
//! the worst board, and leaves out groups of several jumpers without an open place. `headers` counts
//! moves on another header than the one before, `spared` those that the first shortest ways found
//! have more, `needless` how many more there are than the exhaustive search found. `gone through`
//! are the groups that an exhaustive search could go through, `longer` those of them where the
//! planner's way is not the shortest. Times are of the processor (Linux; else of the clock), from
//! the windows to the sequence with its coverage.
//!
//! With `--seed N` other boards; with `--each` a line for each of them; with `--timed` the boards
//! whose time has a limit and no others.

#[macro_use]
mod tell;
mod boards;
mod exhaustive;
mod generated;

use exhaustive::{Aims, Shortest};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::time::Instant;
use strapwise::board::{Board, Place, Setting, parse};
use strapwise::circuit;
use strapwise::walk::{self, Walk};
use strapwise::window::{Windows, windows};

/// Boards of each kind.
const BOARDS: u64 = 20;
/// States that the exhaustive search goes through at most, for one group.
const MOST_STATES: usize = 400_000;

type Failed = Box<dyn std::error::Error>;

/// Draws a board with a seed.
type Kind = fn(u64) -> String;

/// What is counted over the boards of one kind.
#[derive(Default)]
struct Sum {
    boards: usize,
    groups: usize,
    proven: usize,
    /// Changes of header, those spared, and those that the exhaustive search does not need.
    headers: [usize; 3],
    /// Moves, and those that no way can do without: by the planner, and counted jumper by jumper.
    moves: usize,
    bounds: [usize; 2],
    /// Of each board: share by which its moves exceed the two bounds.
    over: Vec<[f64; 2]>,
    /// Groups gone through exhaustively, and those where the sequence is longer.
    compared: usize,
    longer: usize,
    milliseconds: Vec<f64>,
}

fn main() -> Result<(), Failed> {
    let arguments: Vec<String> = std::env::args().collect();
    let after = |flag: &str| arguments.iter().position(|a| a == flag).map(|i| &arguments[i + 1]);
    let seed: u64 = after("--seed").map_or(Ok(1), |text| text.parse())?;
    let each = arguments.iter().any(|a| a == "--each");
    if !arguments.iter().any(|a| a == "--timed") {
        drawn(seed, each)?;
    }
    timed("12 jumpers and 60 resistors", &boards::twelve_jumpers(), 50.0)?;
    timed("the same, headers side by side", &boards::twelve_jumpers_in_rows(), 50.0)?;
    timed("one group of 4,096 settings", &generated::one_group(12), 1000.0)?;
    Ok(())
}

/// The drawn boards, a line for each kind.
fn drawn(seed: u64, each: bool) -> Result<(), Failed> {
    tell!(
        "boards    groups  proven  moves  headers  spared  needless  least  over (mean, worst)  \
         counted  over (mean, worst)  gone through  longer  ms (median, worst)"
    );
    let kinds: [(&str, Kind); 2] = [("ordinary", generated::ordinary), ("hard", generated::hard)];
    for (kind, make) in kinds {
        let mut sum = Sum::default();
        for number in 0..BOARDS {
            let text = make(seed * 100 + number);
            let board = parse(kind, &text).map_err(|e| format!("{e}\n{text}"))?;
            let mut rng = ChaCha8Rng::seed_from_u64(seed * 100 + number);
            let start = match kind {
                "hard" => anywhere(&board, &mut rng),
                _ => Setting::all_open(&board),
            };
            one(&mut sum, &board, &start, each)?;
        }
        sum.print(kind);
    }
    Ok(())
}

/// Every shunt anywhere, without shorting the supply.
fn anywhere(board: &Board, rng: &mut ChaCha8Rng) -> Setting {
    let parts = circuit::Parts::nominal(board);
    loop {
        let mut setting = Setting::all_open(board);
        for (j, jumper) in board.jumpers.iter().enumerate() {
            let place = rng.random_range(0..=jumper.positions.len());
            if place < jumper.positions.len() {
                setting = setting.with(j, Place::At(place));
            }
        }
        if circuit::short(board, &parts, &setting, &[]).is_none() {
            return setting;
        }
    }
}

/// Seconds that this thread has had the processor (Linux), else of the clock.
fn seconds(since: Instant) -> f64 {
    let spent = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanoseconds = spent.and_then(|s| s.split_whitespace().next()?.parse::<f64>().ok());
    nanoseconds.map_or(since.elapsed().as_secs_f64(), |ns| ns * 1e-9)
}

fn planned(board: &Board, windows: &Windows, start: &Setting) -> Result<(Walk, f64), Failed> {
    let clock = Instant::now();
    let before = seconds(clock);
    let walk = walk::plan_from(board, windows, start, &board.delivery)?;
    Ok((walk, (seconds(clock) - before) * 1e3))
}

fn one(sum: &mut Sum, board: &Board, start: &Setting, each: bool) -> Result<(), Failed> {
    let windows = windows(board).map_err(|p| format!("{p:?}"))?;
    let (walk, milliseconds) = planned(board, &windows, start)?;
    let groups = circuit::groups(board);
    let (mut moves, mut bounds) = (0, [0, 0]);
    for leg in &walk.legs {
        let group = groups.iter().find(|g| g.jumpers == leg.jumpers).ok_or("no such group")?;
        let aims = Aims::new(board, &windows, group, start).ok_or("no way")?;
        let both = [leg.least, aims.bound()];
        sum.groups += 1;
        sum.proven += usize::from(leg.moves == leg.least);
        sum.moves += leg.moves;
        sum.bounds.iter_mut().zip(both).for_each(|(sum, bound)| *sum += bound);
        if leg.jumpers.len() == 1 || leg.jumpers.iter().any(|&j| board.jumpers[j].open) {
            moves += leg.moves;
            bounds.iter_mut().zip(both).for_each(|(sum, bound)| *sum += bound);
        }
        if let Shortest::Moves(best) = aims.shortest(MOST_STATES) {
            sum.compared += 1;
            sum.longer += usize::from(leg.moves != best);
            let fewest = aims.fewest_headers(best, MOST_STATES);
            sum.headers[2] += fewest.map_or(0, |fewest| leg.headers - fewest);
        }
    }
    if each {
        let (jumpers, resistors) = (board.jumpers.len(), board.resistors.len());
        tell!(
            "{jumpers} jumpers, {resistors} resistors: {} moves, {milliseconds:.1} ms; jumpers, \
             moves and least of each group {:?}",
            walk.moves(),
            walk.legs.iter().map(|l| (l.jumpers.len(), l.moves, l.least)).collect::<Vec<_>>()
        );
    }
    sum.boards += 1;
    sum.headers[0] += walk.header_changes();
    sum.headers[1] += walk.legs.iter().map(|leg| leg.spared).sum::<usize>();
    let over = |bound: usize| if bound > 0 { moves as f64 / bound as f64 - 1.0 } else { 0.0 };
    sum.over.push(bounds.map(over));
    sum.milliseconds.push(milliseconds);
    Ok(())
}

impl Sum {
    fn print(&mut self, kind: &str) {
        self.milliseconds.sort_by(f64::total_cmp);
        let proven = 100.0 * self.proven as f64 / self.groups as f64;
        let over = |which: usize| {
            let all = self.over.iter().map(|both| 100.0 * both[which]);
            let worst = all.clone().fold(0.0, f64::max);
            format!("{:>8.2} %, {worst:>5.1} %", all.sum::<f64>() / self.boards as f64)
        };
        tell!(
            "{kind:<8}  {:>6}  {proven:>4.0} %  {:>5}  {:>7}  {:>6}  {:>8}  {:>5}  {}  {:>7}  {}  \
             {:>12}  {:>6}  {:>9.1}, {:.1}",
            self.groups,
            self.moves,
            self.headers[0],
            self.headers[1],
            self.headers[2],
            self.bounds[0],
            over(0),
            self.bounds[1],
            over(1),
            self.compared,
            self.longer,
            self.milliseconds[self.boards / 2],
            self.milliseconds[self.boards - 1]
        );
    }
}

/// Visibility and plan of one board, the best and the median of five.
fn timed(what: &str, text: &str, limit: f64) -> Result<(), Failed> {
    let board = parse(what, text).map_err(|e| e.to_string())?;
    let windows = windows(&board).map_err(|p| format!("{p:?}"))?;
    let start = Setting::all_open(&board);
    let mut times = Vec::new();
    let mut last = None;
    for _ in 0..5 {
        let (walk, milliseconds) = planned(&board, &windows, &start)?;
        times.push(milliseconds);
        last = Some(walk);
    }
    times.sort_by(f64::total_cmp);
    let walk = last.ok_or("no run")?;
    tell!(
        "{what}: {} moves, bound {}, {} changes of header, in {:.0} ms (median of 5; best {:.0}) of \
         {limit:.0} ms",
        walk.moves(),
        walk.least,
        walk.header_changes(),
        times[2],
        times[0]
    );
    Ok(())
}
