//! `windows BOARD --spread` and `--monte-carlo N`.

use crate::board::Board;
use crate::report::spread::{self, Drawn};
use crate::report::table::Form;
use crate::screen::patience::patience;
use crate::window::Windows;
use crate::window::monte_carlo::{Law, MonteCarlo, Tally, stretches};
use clap::ValueEnum;

/// Most units that are drawn in one go: some minutes.
const MOST_UNITS: u64 = 1_000_000_000;

/// What stands beside the worst case.
#[derive(Debug, clap::Args)]
pub struct SpreadArguments {
    /// Print the worst case beside the root sum of squares
    #[arg(long)]
    spread: bool,
    /// Draw so many units as well, and give the expected yield
    #[arg(long, value_name = "UNITS", value_parser = clap::value_parser!(u64).range(2..=MOST_UNITS))]
    monte_carlo: Option<u64>,
    /// Seed of the drawn units: the same gives the same figures
    #[arg(long, default_value_t = 1, requires = "monte_carlo")]
    seed: u64,
    /// How a figure lies between its limits
    #[arg(long, value_enum, default_value_t, requires = "monte_carlo")]
    distribution: Distribution,
}

/// How a figure lies between its limits.
#[derive(Clone, Copy, Debug, Default, ValueEnum)]
enum Distribution {
    /// Anywhere between them alike
    #[default]
    Uniform,
    /// Normal about the middle, cut off at the limits three deviations away
    Normal,
}

impl SpreadArguments {
    /// Whether any of it was asked for.
    pub fn asked(&self) -> bool {
        self.spread || self.monte_carlo.is_some()
    }

    /// The table asked for.
    pub fn print(&self, board: &Board, windows: &Windows, form: Form) -> String {
        let law = match self.distribution {
            Distribution::Uniform => Law::Uniform,
            Distribution::Normal => Law::Normal,
        };
        let plan = self.monte_carlo.map(|_| MonteCarlo::new(board, windows, law));
        let drawn = plan.as_ref().zip(self.monte_carlo).map(|(plan, units)| {
            let tally = patience("drawing units", || draw(plan, self.seed, units));
            Drawn { plan, tally, law, seed: self.seed }
        });
        match form {
            Form::Text => spread::text(board, windows, drawn.as_ref()),
            form => spread::table(board, windows, drawn.as_ref()).print(form),
        }
    }
}

/// Draws the units on every core; who draws which stretch does not matter to the figures.
pub fn draw(plan: &MonteCarlo, seed: u64, units: u64) -> Tally {
    let cores = std::thread::available_parallelism().map_or(1, |n| n.get());
    let share = |core: usize| {
        let mut tally = Tally::default();
        for stretch in stretches(units).skip(core).step_by(cores) {
            tally.merge(&plan.run(seed, stretch));
        }
        tally
    };
    let mut sum = Tally::default();
    std::thread::scope(|scope| {
        let others: Vec<_> = (1..cores).map(|core| scope.spawn(move || share(core))).collect();
        sum.merge(&share(0));
        for other in others {
            match other.join() {
                Ok(tally) => sum.merge(&tally),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
    });
    sum
}
