//! Tokens of C, with their lines.

use super::{Placed, Unreadable};

/// What a token is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Word,
    Number,
    /// A text or a character between quotes.
    Quoted,
    Sign,
    LineEnd,
}

/// One token.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Token {
    pub kind: Kind,
    pub text: String,
    pub line: usize,
    /// Whether it follows the token before without a blank.
    pub glued: bool,
}

impl Token {
    /// Whether it is this sign.
    pub fn is(&self, sign: &str) -> bool {
        self.kind == Kind::Sign && self.text == sign
    }

    /// Its text, if it is a word.
    pub fn word(&self) -> Option<&str> {
        (self.kind == Kind::Word).then_some(&self.text)
    }
}

/// Signs of more than one character; longer ones first.
const SIGNS: [&str; 13] =
    ["<<=", ">>=", "...", "<<", ">>", "<=", ">=", "==", "!=", "&&", "||", "##", "->"];

/// The tokens of a header, a [`Kind::LineEnd`] after each line that no backslash continues.
pub(super) fn tokens(text: &str) -> Result<Vec<Token>, Placed> {
    let mut lexer = Lexer { rest: text, line: 1, found: Vec::new(), glued: false };
    while !lexer.rest.is_empty() {
        lexer.step()?;
    }
    lexer.push(Kind::LineEnd, 0);
    Ok(lexer.found)
}

struct Lexer<'a> {
    rest: &'a str,
    line: usize,
    found: Vec<Token>,
    glued: bool,
}

impl Lexer<'_> {
    /// Takes `length` bytes as a token.
    fn push(&mut self, kind: Kind, length: usize) {
        let (text, rest) = self.rest.split_at(length);
        let text = if kind == Kind::LineEnd { String::new() } else { text.to_string() };
        self.found.push(Token { kind, text, line: self.line, glued: self.glued });
        self.glued = kind != Kind::LineEnd;
        self.rest = rest;
    }

    fn skip(&mut self, length: usize) {
        let (gone, rest) = self.rest.split_at(length);
        self.line += gone.matches('\n').count();
        self.rest = rest;
        self.glued = false;
    }

    fn step(&mut self) -> Result<(), Placed> {
        let rest = self.rest;
        let Some(first) = rest.chars().next() else { return Ok(()) };
        let run = |keep: &dyn Fn(char) -> bool| rest.find(|c| !keep(c)).unwrap_or(rest.len());
        let continued = ["\\\n", "\\\r\n"].into_iter().find(|c| rest.starts_with(c));
        if let Some(continued) = continued {
            self.skip(continued.len());
        } else if first == '\n' {
            self.push(Kind::LineEnd, 1);
            self.line += 1;
        } else if first.is_whitespace() {
            self.skip(first.len_utf8());
        } else if rest.starts_with("/*") {
            let Some(end) = rest.find("*/") else {
                let why = Unreadable::new("the comment does not end", "close it with `*/`");
                return Err((self.line, why));
            };
            self.skip(end + 2);
        } else if rest.starts_with("//") {
            self.skip(line_comment(rest));
        } else if first == '"' || first == '\'' {
            let length = self.quoted(first)?;
            self.push(Kind::Quoted, length);
        } else if first.is_ascii_digit() || (first == '.' && digit_follows(rest)) {
            self.push(Kind::Number, number(rest));
        } else if first.is_alphanumeric() || first == '_' {
            self.push(Kind::Word, run(&|c| c.is_alphanumeric() || c == '_'));
        } else {
            let long = SIGNS.iter().find(|s| rest.starts_with(**s));
            self.push(Kind::Sign, long.map_or(first.len_utf8(), |s| s.len()));
        }
        Ok(())
    }

    /// Length of a text or character with its quotes.
    fn quoted(&self, quote: char) -> Result<usize, Placed> {
        let mut escaped = false;
        for (i, c) in self.rest.char_indices().skip(1) {
            match c {
                '\n' if !escaped => break,
                _ if escaped => escaped = false,
                '\\' => escaped = true,
                c if c == quote => return Ok(i + c.len_utf8()),
                _ => {}
            }
        }
        let why = Unreadable::new("the text does not end on its line", "close it with its quote");
        Err((self.line, why))
    }
}

/// Length of a `//` comment; a backslash at the end of a line continues it.
fn line_comment(rest: &str) -> usize {
    let mut length = 0;
    for line in rest.split_inclusive('\n') {
        length += line.len();
        if !line.trim_end_matches(['\r', '\n']).ends_with('\\') {
            return length - usize::from(line.ends_with('\n'));
        }
    }
    length
}

fn digit_follows(rest: &str) -> bool {
    rest.chars().nth(1).is_some_and(|c| c.is_ascii_digit())
}

/// Length of a number as the preprocessor takes it (C99 6.4.8): an exponent may have a sign.
fn number(rest: &str) -> usize {
    let mut last = '0';
    for (i, c) in rest.char_indices() {
        let hex = rest.starts_with("0x") || rest.starts_with("0X");
        let exponent = matches!(last, 'p' | 'P') || (!hex && matches!(last, 'e' | 'E'));
        let sign = matches!(c, '+' | '-') && exponent;
        if !(c.is_ascii_alphanumeric() || c == '_' || c == '.' || sign) {
            return i;
        }
        last = c;
    }
    rest.len()
}
