//! `#if` and its kin: which lines hold, which do not, and which cannot be known.

use super::lexer::{Kind, Token};
use super::{Names, Placed, Unreadable, expression};

/// Conditions within conditions.
const DEEPEST: usize = 64;

/// Whether the lines of a branch hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Truth {
    Yes,
    No,
    Unknown,
}

#[derive(Clone, Copy, Debug)]
struct Branch {
    /// Of the branch that the lines are in.
    now: Truth,
    /// Of the branches before it: whether one of them held.
    before: Truth,
    line: usize,
}

/// The conditions that are open at a line, the outermost first.
#[derive(Clone, Debug, Default)]
pub(super) struct Conditions(Vec<Branch>);

impl Conditions {
    /// Whether the lines here do not hold.
    pub fn off(&self) -> bool {
        self.0.iter().any(|b| b.now == Truth::No)
    }

    /// Line of a condition that cannot be known, if the lines here depend on one.
    pub fn unsure(&self) -> Option<usize> {
        self.0.iter().find(|b| b.now == Truth::Unknown).map(|b| b.line)
    }

    /// Whether every condition has ended.
    pub fn closed(&self) -> Result<(), Placed> {
        match self.0.last() {
            None => Ok(()),
            Some(open) => {
                Err((open.line, Unreadable::new("the condition does not end", "add its `#endif`")))
            }
        }
    }

    /// Takes a directive if it is one of these; says whether it was.
    pub fn directive(
        &mut self,
        word: &str,
        line: usize,
        rest: &[Token],
        next: Option<&[Token]>,
        names: &Names,
    ) -> Result<bool, Placed> {
        let stray = || {
            let what = format!("`#{word}` without an `#if` before it");
            (line, Unreadable::new(what, "give a header that compiles"))
        };
        match word {
            "if" | "ifdef" | "ifndef" => {
                if self.0.len() >= DEEPEST {
                    let what = format!("more than {DEEPEST} conditions within each other");
                    return Err((line, Unreadable::new(what, "give a plainer header")));
                }
                let now = if self.off() { Truth::No } else { truth(word, rest, next, names) };
                self.0.push(Branch { now, before: Truth::No, line });
            }
            "elif" | "else" => {
                let outside = Conditions(self.0[..self.0.len().saturating_sub(1)].to_vec());
                let branch = self.0.last_mut().ok_or_else(stray)?;
                branch.before = either(branch.before, branch.now);
                branch.line = if branch.before == Truth::Unknown { branch.line } else { line };
                branch.now = match branch.before {
                    Truth::Yes => Truth::No,
                    _ if outside.off() => Truth::No,
                    Truth::Unknown => Truth::Unknown,
                    Truth::No if word == "else" => Truth::Yes,
                    Truth::No => truth("if", rest, None, names),
                };
            }
            "endif" => {
                self.0.pop().ok_or_else(stray)?;
            }
            _ => return Ok(false),
        }
        Ok(true)
    }
}

fn either(a: Truth, b: Truth) -> Truth {
    match (a, b) {
        (Truth::Yes, _) | (_, Truth::Yes) => Truth::Yes,
        (Truth::No, Truth::No) => Truth::No,
        _ => Truth::Unknown,
    }
}

fn not(truth: Truth) -> Truth {
    match truth {
        Truth::Yes => Truth::No,
        Truth::No => Truth::Yes,
        Truth::Unknown => Truth::Unknown,
    }
}

/// Whether a condition holds.
fn truth(word: &str, rest: &[Token], next: Option<&[Token]>, names: &Names) -> Truth {
    let name = rest.first().and_then(Token::word).unwrap_or_default();
    match word {
        "ifdef" => defined(name, names),
        // An include guard, or a default that nobody is known to override.
        "ifndef" if defines(next, name) && defined(name, names) == Truth::Unknown => Truth::Yes,
        "ifndef" => not(defined(name, names)),
        _ => match with_defined(rest, names) {
            Some(tokens) => match expression::evaluate(&tokens, names) {
                Ok(value) if value.number() == 0.0 => Truth::No,
                Ok(_) => Truth::Yes,
                Err(_) => Truth::Unknown,
            },
            None => Truth::Unknown,
        },
    }
}

fn defines(next: Option<&[Token]>, name: &str) -> bool {
    let words = |i: usize| next.and_then(|l| l.get(i)).and_then(Token::word);
    words(1) == Some("define") && words(2) == Some(name)
}

/// Whether a macro is defined: surely, if the header does it; who knows, else.
fn defined(name: &str, names: &Names) -> Truth {
    match names.0.get(name) {
        Some(item) if item.unsure.is_none() => Truth::Yes,
        _ if name == "__cplusplus" => Truth::No,
        _ => Truth::Unknown,
    }
}

/// The tokens of a condition with every `defined` put in; `None` when one cannot be known.
fn with_defined(rest: &[Token], names: &Names) -> Option<Vec<Token>> {
    let mut found = Vec::new();
    let mut tokens = rest.iter();
    while let Some(token) = tokens.next() {
        if token.word() != Some("defined") {
            found.push(token.clone());
            continue;
        }
        let mut name = tokens.next()?;
        if name.is("(") {
            name = tokens.next()?;
            tokens.next().filter(|t| t.is(")"))?;
        }
        let text = match defined(name.word()?, names) {
            Truth::Yes => "1",
            Truth::No => "0",
            Truth::Unknown => return None,
        };
        found.push(Token { kind: Kind::Number, text: text.into(), ..token.clone() });
    }
    Some(found)
}
