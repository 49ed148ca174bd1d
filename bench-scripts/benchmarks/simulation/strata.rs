//! The four strata of units, and what each unit of them is by its seed.

use super::hands::Slips;
use super::run::{Kill, Manner, Outcome, run};
use super::tables::{Tables, soft};
use super::unit::{Case, Known};
use super::world::Mishaps;
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::sync::Arc;
use strapwise::bench::Design;
use strapwise::board::{self, Board};
use strapwise::faults::{Fault, Views, Witness, modelled};
use strapwise::walk::{self, Walk};
use strapwise::window;

/// One of the four.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stratum {
    /// Good units with a good operator.
    Good,
    /// Every hard defect, half of them with every slip.
    Hard,
    /// Defects of half to three times the smallest size that is seen.
    Soft,
    /// Two defects at once.
    Two,
}

impl Stratum {
    pub const ALL: [Stratum; 4] = [Stratum::Good, Stratum::Hard, Stratum::Soft, Stratum::Two];

    pub fn word(self) -> &'static str {
        match self {
            Stratum::Good => "good",
            Stratum::Hard => "hard",
            Stratum::Soft => "soft",
            Stratum::Two => "two",
        }
    }
}

/// What the coverage says of a unit's defects.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Claim {
    /// There are none.
    Good,
    /// Shown by a reading or a load.
    Seen,
    /// Shown by an answer only.
    Asked,
    /// Not sure to be shown.
    Unseen,
}

/// What a run was and what it came to.
pub struct Unit {
    pub stratum: Stratum,
    pub seed: u64,
    pub class: &'static str,
    pub claim: Claim,
    pub slips: bool,
    pub outcome: Outcome,
    pub faults: Vec<Fault>,
}

/// Everything that the runs of one thread share.
pub struct Site {
    pub design: Arc<Design>,
    pub walk: Arc<Walk>,
    tables: Tables,
    known: Known,
    good: Case,
    hard: Vec<(Case, Claim)>,
    soft: Vec<(Fault, Claim)>,
    claims: Vec<(Fault, Claim)>,
}

/// Slips of an operator on a bad day.
const SLIPS: Slips = Slips {
    forgets: 0.03,
    misplaces: 0.04,
    moves_two: 0.01,
    wanders: 0.01,
    wiggles: 0.08,
    answers_wrongly: 0.03,
    presses_early: 0.03,
};

/// A line and a supply on a bad day, by ask; some thousand asks make a run.
const MISHAPS: Mishaps = Mishaps { late: 1e-3, reset: 2e-4, refused: 2e-5, lost: 2e-5 };

/// Share of the runs with slips that somebody stops at any step.
const STOPPED: f64 = 0.02;

/// Share of all runs in which the program dies at any step, and goes on afterwards from what the
/// disk holds.
const KILLED: f64 = 0.03;

/// The range of the soft stratum, by the smallest size that is seen.
const SIZES: (f64, f64) = (0.5, 3.0);

/// The board of the demo.
pub fn vent_controller() -> Arc<Board> {
    let text = include_str!("../../../protocols/vent-controller.toml");
    let board = board::parse("vent-controller.toml", text);
    Arc::new(board.unwrap_or_else(|problems| panic!("{problems}")))
}

/// Size of a soft defect: small ones are hard to see.
fn size(fault: &Fault) -> f64 {
    match *fault {
        Fault::ResistorOff { ratio, .. } => ratio.ln().abs(),
        Fault::ContactResistive { ohms, .. } => ohms.0,
        Fault::PinLeaks { ohms, .. } => 1.0 / ohms.0,
        _ => f64::NAN,
    }
}

fn claim(views: &Views<'_>, fault: Fault) -> Claim {
    match views.sighting(fault).map(|s| s.by) {
        None => Claim::Unseen,
        Some(Witness::Question(_)) => Claim::Asked,
        Some(Witness::Channel(_) | Witness::Load(_)) => Claim::Seen,
    }
}

impl Site {
    /// Errors: tables that are not those of the board, or lack one of its defects.
    pub fn new() -> Result<Site, String> {
        let board = vent_controller();
        let windows = window::windows(&board).map_err(|e| format!("{e:?}"))?;
        let walk = walk::plan(&board, &windows, &board.delivery).map_err(|e| e.to_string())?;
        let tables = Tables::kept(&board)?;
        let looks = walk.steps.iter().map(|s| (s.setting.clone(), s.reads.clone()));
        let views = Views::new(&board, &windows, looks);
        let mut known = Known::new();
        let mut hard = Vec::new();
        let mut claims = Vec::new();
        for fault in modelled(&board) {
            let case = Case::new(&board, &tables, &mut known, &[fault]).ok_or_else(|| {
                let solve = "cargo run --release --example simulate -- --solve";
                format!("'{}' is in no table; solve anew: {solve}", fault.text(&board))
            })?;
            let claim = claim(&views, fault);
            claims.push((fault, claim));
            hard.push((case, claim));
        }
        let soft = graded(&board, &views);
        let good = Case::new(&board, &tables, &mut known, &[]).ok_or("no table of a good unit")?;
        let design = Arc::new(Design::new(board.clone(), Arc::new(windows)));
        Ok(Site { design, walk: Arc::new(walk), tables, known, good, hard, soft, claims })
    }

    /// Runs one unit of a stratum; the seed says everything else.
    pub fn one(&mut self, stratum: Stratum, seed: u64, told: bool) -> Unit {
        let mut rng = ChaCha8Rng::seed_from_u64(key_of(stratum, seed));
        let slips = stratum != Stratum::Good && rng.random();
        let stopped = slips && rng.random_bool(STOPPED);
        let manner = Manner {
            slips: if slips { SLIPS } else { Slips::default() },
            mishaps: if slips { MISHAPS } else { Mishaps::default() },
            stopped_at: stopped.then(|| rng.random_range(0..1500)),
            seed: rng.random(),
            told,
            killed: killed(stratum, seed),
        };
        let (case, claim): (&Case, Claim);
        let drawn;
        match stratum {
            Stratum::Good => (case, claim) = (&self.good, Claim::Good),
            Stratum::Hard => {
                let (hard, said) = self.hard.choose(&mut rng).expect("a defect");
                (case, claim) = (hard, *said);
            }
            Stratum::Soft => {
                let (fault, said) = *self.soft.choose(&mut rng).expect("a soft defect");
                drawn = self.case(&[fault]).expect("every soft defect has a table");
                (case, claim) = (&drawn, said);
            }
            Stratum::Two => {
                let (two, said) = self.two(&mut rng);
                drawn = two;
                (case, claim) = (&drawn, said);
            }
        }
        let outcome = run(&self.design, &self.walk, case, &manner);
        let class = match (stratum, case.faults.first()) {
            (Stratum::Two, _) => "two defects",
            (_, Some(fault)) => fault.class(),
            (_, None) => "good unit",
        };
        Unit { stratum, seed, class, claim, slips, outcome, faults: case.faults.clone() }
    }

    fn case(&mut self, faults: &[Fault]) -> Option<Case> {
        Case::new(&self.design, &self.tables, &mut self.known, faults)
    }

    /// Two different defects whose circuits have been solved together where they meet.
    fn two(&mut self, rng: &mut ChaCha8Rng) -> (Case, Claim) {
        loop {
            let [a, b] = [0, 1].map(|_| *self.claims.choose(rng).expect("a defect"));
            if same_part(a.0, b.0) {
                continue;
            }
            if let Some(case) = self.case(&[a.0, b.0]) {
                return (case, a.1.min(b.1));
            }
        }
    }
}

/// Whether the program dies in a run, by a stream of its own: the unit of a seed stays what it is.
fn killed(stratum: Stratum, seed: u64) -> Option<Kill> {
    let mut rng = ChaCha8Rng::seed_from_u64(key_of(stratum, seed) ^ 0x6B69_6C6C);
    rng.random_bool(KILLED)
        .then(|| Kill { at: rng.random_range(1..1500), torn: rng.random_range(0..2000) })
}

/// Whether two defects are of one part, so that there can be only one of them.
fn same_part(a: Fault, b: Fault) -> bool {
    let part = |fault: Fault| match fault {
        Fault::ResistorOpen { resistor: r }
        | Fault::ResistorShorted { resistor: r }
        | Fault::ResistorValue { resistor: r, .. }
        | Fault::ResistorOff { resistor: r, .. } => vec![(0, r, 0)],
        Fault::ResistorsSwapped { resistors: [r, s] } => vec![(0, r, 0), (0, s, 0)],
        Fault::ContactOpen { jumper, position }
        | Fault::ContactResistive { jumper, position, .. }
        | Fault::SecondShunt { jumper, position } => vec![(1, jumper, position)],
        Fault::CountedFromWrongEnd { jumper } => vec![(2, jumper, 0)],
        Fault::HeadersMistaken { jumpers: [j, k] } => vec![(2, j, 0), (2, k, 0)],
        Fault::PinOpen { channel } | Fault::PinStuck { channel, .. } => vec![(3, channel, 0)],
        Fault::SwitchStaysOpen { switch } | Fault::SwitchStaysClosed { switch } => {
            vec![(4, switch, 0)]
        }
        Fault::LoadDead { load } | Fault::LoadShorted { load } => vec![(5, load, 0)],
        _ => Vec::new(),
    };
    a == b || part(a).iter().any(|p| part(b).contains(p))
}

/// A seed of its own for each unit of each stratum.
fn key_of(stratum: Stratum, seed: u64) -> u64 {
    super::tables::fnv(stratum.word().bytes().chain(seed.to_le_bytes()))
}

/// Soft defects of the sizes wanted, with what the coverage says of each.
fn graded(board: &Board, views: &Views<'_>) -> Vec<(Fault, Claim)> {
    let mut graded = Vec::new();
    for series in soft(board) {
        let said: Vec<Claim> = series.iter().map(|&f| claim(views, f)).collect();
        let Some(least) = said.iter().position(|&c| c != Claim::Unseen) else { continue };
        let smallest = size(&series[least]);
        let wanted = |f: &Fault| {
            let times = size(f) / smallest;
            SIZES.0 <= times && times <= SIZES.1
        };
        graded.extend(series.into_iter().zip(said).filter(|(f, _)| wanted(f)));
    }
    graded
}
