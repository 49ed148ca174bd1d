//! The maker's own commands: to flash, to save what was on a unit, to print a label.

use super::{Board, Setting};

/// What a command is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Task {
    /// Reads the program that is on a unit into a file.
    Save,
    /// Puts the probe on a unit.
    FlashProbe,
    /// Puts what was saved back.
    Restore,
    /// Puts the product's firmware on a unit that passed.
    FlashProduct,
    /// Prints the options that the product says it reads.
    Report,
    /// Runs when a unit has passed.
    OnPass,
    /// Runs when a unit has failed.
    OnFail,
    /// Runs when a unit is on hold.
    OnHold,
}

impl Task {
    /// All of them.
    pub const ALL: [Task; 8] = [
        Task::Save,
        Task::FlashProbe,
        Task::Restore,
        Task::FlashProduct,
        Task::Report,
        Task::OnPass,
        Task::OnFail,
        Task::OnHold,
    ];

    /// Its key in the board file, and its word in records.
    pub fn word(self) -> &'static str {
        match self {
            Task::Save => "save",
            Task::FlashProbe => "flash_probe",
            Task::Restore => "restore",
            Task::FlashProduct => "flash_product",
            Task::Report => "report",
            Task::OnPass => "on_pass",
            Task::OnFail => "on_fail",
            Task::OnHold => "on_hold",
        }
    }

    /// Whether the probe is still wanted afterwards.
    pub fn before_the_test(self) -> bool {
        matches!(self, Task::Save | Task::FlashProbe)
    }
}

/// A program and its arguments, run without a shell. `{port}`, `{unit}` and `{file}` in them stand
/// for the port, the serial number and the file of the task.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CommandLine {
    /// What it is for.
    pub task: Task,
    /// The program, then its arguments.
    pub words: Vec<String>,
}

/// The commands that a board file names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Commands {
    /// The commands, one for each task at most.
    pub lines: Vec<CommandLine>,
    /// The probe's image, as seen from the board file's folder.
    pub probe_file: Option<String>,
    /// The product's image, likewise.
    pub product_file: Option<String>,
    /// Lines that the product's report must have, `{id}` for the option of a set; none for the
    /// usual ones.
    pub report_lines: Vec<String>,
}

impl Commands {
    /// The command for a task, if there is one.
    pub fn get(&self, task: Task) -> Option<&CommandLine> {
        self.lines.iter().find(|line| line.task == task)
    }
}

impl Board {
    /// What the product must report in a setting, line by line: `profile=herbs`, or as the board
    /// file has it. Lines with a set of options that the setting means nothing to are left out.
    pub fn report_lines(&self, setting: &Setting) -> Vec<String> {
        let usual = || self.options.iter().map(|set| format!("{0}={{{0}}}", set.id)).collect();
        let lines: Vec<String> = match self.commands.report_lines.as_slice() {
            [] => usual(),
            given => given.to_vec(),
        };
        let fill = |line: &String| {
            let mut line = line.clone();
            for set in &self.options {
                let hole = format!("{{{}}}", set.id);
                if line.contains(&hole) {
                    line = line.replace(&hole, set.meaning(setting)?);
                }
            }
            Some(line)
        };
        lines.iter().filter_map(fill).collect()
    }
}
