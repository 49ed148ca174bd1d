//! Enumerators and initialised constants of a header.

use super::expression::{self, Type, Value};
use super::lexer::Token;
use super::{GIVE_NUMBERS, Item, Meaning, Names, Unreadable};

/// Words that stand between a declared name and its values.
const QUALIFIERS: [&str; 3] = ["PROGMEM", "__flash", "__memx"];

/// Steps of the depth of brackets that a token makes.
fn step(token: &Token) -> i32 {
    match token.text.as_str() {
        "{" | "(" | "[" if token.is(&token.text) => 1,
        "}" | ")" | "]" if token.is(&token.text) => -1,
        _ => 0,
    }
}

/// A statement as it grows.
#[derive(Default)]
pub(super) struct Statement {
    tokens: Vec<Token>,
    depth: i32,
    /// Whether the first brace opens the body of a function.
    body: Option<bool>,
}

impl Statement {
    /// Takes one more token; the whole statement once it is ended by `;`, or by the brace that
    /// closes the body of a function.
    pub fn push(&mut self, token: &Token) -> Option<Vec<Token>> {
        if token.is("{") && self.body.is_none() {
            self.body = Some(self.tokens.last().is_some_and(|t| t.is(")")));
        }
        self.depth += step(token);
        self.tokens.push(token.clone());
        let over = token.is(";") || (token.is("}") && self.body == Some(true));
        if self.depth > 0 || !over {
            return None;
        }
        let whole = std::mem::take(self);
        (whole.body != Some(true)).then_some(whole.tokens)
    }

    /// Line on which a statement begins that has not ended.
    pub fn begun(&self) -> Option<usize> {
        self.tokens.first().map(|t| t.line)
    }
}

/// Takes up the names that a statement gives values to.
pub(super) fn read(statement: &[Token], unsure: Option<usize>, names: &mut Names) {
    let mut at = 0;
    let mut enumerates = false;
    while let Some(found) = statement[at..].iter().position(|t| t.word() == Some("enum")) {
        at += found + 1;
        let open = at + usize::from(statement.get(at).is_some_and(|t| t.word().is_some()));
        if statement.get(open).is_some_and(|t| t.is("{")) {
            enumerates = true;
            enumerators(inside(&statement[open..]), unsure, names);
        }
    }
    if !enumerates {
        constants(statement, unsure, names);
    }
}

/// What stands between an opening bracket and the one that closes it.
fn inside(from: &[Token]) -> &[Token] {
    let mut depth = 0;
    for (i, token) in from.iter().enumerate() {
        depth += step(token);
        if depth == 0 {
            return from.get(1..i).unwrap_or_default();
        }
    }
    from.get(1..).unwrap_or_default()
}

/// Splits at commas that stand in no bracket; an empty last part is left out.
fn parts(tokens: &[Token]) -> Vec<&[Token]> {
    let mut depth = 0;
    let mut found: Vec<&[Token]> = tokens
        .split(|token| {
            depth += step(token);
            depth == 0 && token.is(",")
        })
        .collect();
    if found.last().is_some_and(|l| l.is_empty()) {
        found.pop();
    }
    found
}

fn enumerators(list: &[Token], unsure: Option<usize>, names: &mut Names) {
    // The value of the one before; none once one could not be read.
    let mut last = Some(-1.0);
    for part in parts(list) {
        let Some((name, line)) = part.first().and_then(|t| Some((t.word()?, t.line))) else {
            continue;
        };
        let value = match part.get(1) {
            Some(t) if t.is("=") => {
                expression::evaluate(&part[2..], names).and_then(|v| Type::INT.take(v))
            }
            _ => last
                .ok_or_else(|| Unreadable::new("follows one that cannot be read", GIVE_NUMBERS))
                .and_then(|l| Type::INT.take(Value::float(l + 1.0))),
        };
        last = value.as_ref().ok().map(|v| v.number());
        let meaning = match value {
            Ok(value) => Meaning::Values(vec![value]),
            Err(why) => Meaning::Unreadable(why),
        };
        names.0.insert(name.to_string(), Item { meaning, line, unsure });
    }
}

/// `const uint16_t a = 1, b[] = {2, 3};`
fn constants(statement: &[Token], unsure: Option<usize>, names: &mut Names) {
    let words: Vec<&str> = statement
        .iter()
        .take_while(|t| !t.is("=") && !t.is("[") && !t.is(","))
        .filter_map(Token::word)
        .collect();
    let skip = words.first().is_some_and(|w| ["typedef", "struct", "union"].contains(w));
    if skip {
        return;
    }
    let kind = Type::of(&words);
    let end = statement.iter().position(|t| t.is(";")).unwrap_or(statement.len());
    for part in parts(&statement[..end.min(statement.len())]) {
        let mut depth = 0;
        let equals = part.iter().position(|t| {
            depth += step(t);
            depth == 0 && t.is("=")
        });
        let declared = &part[..equals.unwrap_or(part.len())];
        let Some(name) = declared_name(declared) else { continue };
        let meaning = match equals.map(|e| &part[e + 1..]) {
            Some(values) => initialised(values, kind, names),
            None => Err(Unreadable::new(
                "is declared here without its values",
                format!("give the file that defines it, or {GIVE_NUMBERS}"),
            )),
        };
        let meaning = meaning.map_or_else(Meaning::Unreadable, Meaning::Values);
        names.0.insert(name.text.clone(), Item { meaning, line: name.line, unsure });
    }
}

/// The name in a declarator: before the first `[`, else the last word that is no qualifier.
/// Functions have none.
fn declared_name(declared: &[Token]) -> Option<&Token> {
    if let Some(bracket) = declared.iter().position(|t| t.is("[")) {
        return declared.get(bracket.checked_sub(1)?).filter(|t| t.word().is_some());
    }
    let attribute = declared.iter().position(|t| t.word() == Some("__attribute__"));
    let declared = &declared[..attribute.unwrap_or(declared.len())];
    if declared.iter().any(|t| t.is("(")) {
        return None;
    }
    declared.iter().rev().find(|t| t.word().is_some_and(|w| !QUALIFIERS.contains(&w)))
}

/// The values of an initialiser, lists within lists one after the other.
fn initialised(values: &[Token], kind: Type, names: &Names) -> Result<Vec<Value>, Unreadable> {
    const DEEPEST: usize = 8;
    let mut found = Vec::new();
    let mut open: Vec<(usize, &[Token])> = vec![(0, values)];
    while let Some((depth, part)) = open.pop() {
        match part.first() {
            Some(first) if first.is("{") && depth < DEEPEST => {
                open.extend(parts(inside(part)).into_iter().rev().map(|p| (depth + 1, p)));
            }
            Some(first) if first.is("[") || first.is(".") => {
                return Err(Unreadable::new("names the places of its values", GIVE_NUMBERS));
            }
            _ => found.push(expression::evaluate(part, names).and_then(|v| kind.take(v))?),
        }
    }
    if found.is_empty() { Err(Unreadable::new("has no values", GIVE_NUMBERS)) } else { Ok(found) }
}
