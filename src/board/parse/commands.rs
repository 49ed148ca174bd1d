//! The maker's own commands, and the files that they flash.

use super::super::{CommandLine, Commands, OptionSet, Task};
use super::Reading;
use super::near;
use super::table::{At, Fields, texts};

/// What may stand in braces in an argument.
const HOLES: [&str; 3] = ["port", "unit", "file"];

/// Arguments of one command at most.
const MOST: usize = 100;

/// What each command is like, for messages.
const LIKE: &str = "[\"avrdude\", \"-P\", \"{port}\", \"-U\", \"flash:w:{file}:i\"]";

impl<'a> Reading<'a, '_> {
    /// The `[commands]` table; none of it has to be there. `None` when something in it is wrong.
    pub(super) fn commands(
        &mut self,
        root: &Fields<'a>,
        options: &[OptionSet],
    ) -> Option<Commands> {
        let mut found = Commands::default();
        if root.get("commands").is_none() {
            return Some(found);
        }
        let mut keys: Vec<&str> = Task::ALL.iter().map(|t| t.word()).collect();
        keys.extend(["probe_file", "product_file", "report_lines"]);
        let part = self.single(root, "commands", &keys)?;
        let file = |reading: &mut Self, key: &str| {
            let text = part.optional(key, |k| part.text(&mut reading.log, k, "\"image.hex\""));
            text.map(|text| text.map(|t| t.it.to_string()))
        };
        found.probe_file = file(self, "probe_file")?;
        found.product_file = file(self, "product_file")?;
        found.report_lines = self.report_lines(&part, options)?;
        for task in Task::ALL {
            let key = task.word();
            if part.get(key).is_some() {
                let words = self.command(&part, key)?;
                self.file_of(&part, task, &words, &found)?;
                let words = words.iter().map(|w| w.it.to_string()).collect();
                found.lines.push(CommandLine { task, words });
            }
        }
        self.belong_together(&part, &found)?;
        Some(found)
    }

    /// A program and its arguments.
    fn command(&mut self, part: &Fields<'a>, key: &str) -> Option<Vec<At<&'a str>>> {
        let value = part.get(key)?;
        let Some(words) = texts(value) else {
            part.wrong(&mut self.log, key, value, LIKE);
            return None;
        };
        let at = value.span().start;
        let mut wrong = |at: usize, what: String, do_next: &str| {
            self.log.add(at, format!("`{key}` of {} {what}", part.name), do_next);
            None
        };
        if words.first().is_none_or(|program| program.it.trim().is_empty()) {
            return wrong(at, "names no program".into(), &format!("write `{key} = {LIKE}`"));
        }
        if words.len() > MOST {
            return wrong(at, format!("has more than {MOST} words"), "put them into a script");
        }
        for word in &words {
            if word.it.chars().any(char::is_control) {
                let what = "has a line break or another control character".to_string();
                return wrong(word.at, what, "write each argument on one line");
            }
            if let Some(hole) = holes(word.it).find(|hole| !HOLES.contains(hole)) {
                let what = format!("has `{{{hole}}}`, which stands for nothing");
                let do_next = match near::nearest(hole, HOLES) {
                    Some(near) => format!("did you mean `{{{near}}}`?"),
                    None => "`{port}`, `{unit}` and `{file}` are filled in".into(),
                };
                return wrong(word.at, what, &do_next);
            }
        }
        Some(words)
    }

    /// Whether `{file}` of a command stands for something, and is there where it must be.
    fn file_of(
        &mut self,
        part: &Fields<'a>,
        task: Task,
        words: &[At<&'a str>],
        found: &Commands,
    ) -> Option<()> {
        let key = task.word();
        let used = words.iter().find(|word| holes(word.it).any(|hole| hole == "file"));
        let named = match task {
            Task::FlashProbe => found.probe_file.is_some(),
            Task::FlashProduct => found.product_file.is_some(),
            Task::Report => false,
            _ => true,
        };
        let (at, what, do_next) = match (task, used) {
            (Task::Save | Task::Restore, None) => (
                part.get(key)?.span().start,
                format!("`{key}` of {} has no `{{file}}`, where the program is kept", part.name),
                "put `{file}` where the command takes the name of a file".to_string(),
            ),
            (Task::FlashProbe | Task::FlashProduct, Some(word)) if !named => {
                let file = key.replace("flash_", "") + "_file";
                let what = format!("`{key}` of {} has `{{file}}`, but no `{file}`", part.name);
                (word.at, what, format!("add `{file} = \"image.hex\"`"))
            }
            (Task::Report, Some(word)) => (
                word.at,
                format!("`{key}` of {} has `{{file}}`, but there is none to read", part.name),
                "the command prints to its standard output".to_string(),
            ),
            _ => return Some(()),
        };
        self.log.add(at, what, do_next);
        None
    }

    /// Commands that make sense only beside another.
    fn belong_together(&mut self, part: &Fields<'a>, found: &Commands) -> Option<()> {
        let pairs = [
            (Task::Save, Task::FlashProbe, "nothing would replace what it saves"),
            (Task::Restore, Task::Save, "there would be nothing to put back"),
            (Task::Report, Task::FlashProduct, "the product would not be there to ask"),
        ];
        for (one, other, why) in pairs {
            if let (Some(_), None, Some(value)) =
                (found.get(one), found.get(other), part.get(one.word()))
            {
                let (one, other) = (one.word(), other.word());
                let what = format!("{} has `{one}` but no `{other}`: {why}", part.name);
                self.log.add(value.span().start, what, format!("add `{other} = {LIKE}`"));
                return None;
            }
        }
        Some(())
    }

    /// What the product must report; the names in braces are those of the sets of options.
    fn report_lines(&mut self, part: &Fields<'a>, options: &[OptionSet]) -> Option<Vec<String>> {
        const LIKE: &str = "[\"profile={profile}\"]";
        let lines = part.words(&mut self.log, "report_lines", LIKE)?;
        for line in &lines {
            let sets = || options.iter().map(|set| set.id.as_str());
            let unknown = holes(line.it).find(|hole| !sets().any(|set| set == *hole));
            let (what, do_next) = match (unknown, line.it.trim().is_empty()) {
                (Some(hole), _) => (
                    format!(
                        "a line of `report_lines` has `{{{hole}}}`, which is no set of options"
                    ),
                    near::advice(hole, "set of options", sets()),
                ),
                (None, true) => {
                    ("a line of `report_lines` is empty".into(), format!("write it like {LIKE}"))
                }
                _ => continue,
            };
            self.log.add(line.at, what, do_next);
            return None;
        }
        Some(lines.iter().map(|line| line.it.trim().to_string()).collect())
    }
}

/// The names in braces; braces with anything else between them are text.
fn holes(word: &str) -> impl Iterator<Item = &str> {
    let name = |hole: &str| {
        let plain = |c: char| c.is_alphanumeric() || c == '_' || c == '-';
        !hole.is_empty() && hole.chars().all(plain)
    };
    let after = word.split('{').skip(1);
    after.filter_map(|rest| rest.split_once('}').map(|(hole, _)| hole)).filter(move |h| name(h))
}
