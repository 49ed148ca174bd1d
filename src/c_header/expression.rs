//! Constant expressions of C (C99 6.6): macros put in, then the operators by precedence.

use super::lexer::{Kind, Token};
use super::{GIVE_NUMBERS, Meaning, Names, Unreadable};

/// Tokens that are looked at for one expression, those of its macros among them.
const MOST_TOKENS: usize = 4096;
/// Brackets within brackets, and macros within macros.
const DEEPEST: usize = 48;

/// Types by the range of their values, in the order in which operands take each other's type.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Type {
    rank: u8,
    bits: u8,
    signed: bool,
}

impl Type {
    pub const INT: Type = Type { rank: 1, bits: 16, signed: true };
    const UNSIGNED: Type = Type { rank: 2, bits: 16, signed: false };
    const LONG: Type = Type { rank: 3, bits: 32, signed: true };
    const UNSIGNED_LONG: Type = Type { rank: 4, bits: 32, signed: false };
    const LONG_LONG: Type = Type { rank: 5, bits: 63, signed: true };
    const FLOAT: Type = Type { rank: 9, bits: 0, signed: true };

    /// The type that these words name; `int` when they name none.
    pub fn of(words: &[&str]) -> Type {
        let has = |word: &str| words.contains(&word);
        if has("float") || has("double") {
            return Type::FLOAT;
        }
        let exact = words.iter().find_map(|w| {
            let w = w.strip_suffix("_t")?;
            let (bits, signed) = match w.strip_prefix("uint") {
                Some(bits) => (bits, false),
                None => (w.strip_prefix("int")?, true),
            };
            let bits = bits.trim_start_matches("_least").trim_start_matches("_fast");
            bits.parse().ok().map(|bits: u8| (bits, signed))
        });
        match exact {
            Some((8, signed)) => Type { rank: 0, bits: 8, signed },
            Some((16, true)) => Type::INT,
            Some((16, false)) => Type::UNSIGNED,
            Some((32, true)) => Type::LONG,
            Some((32, false)) => Type::UNSIGNED_LONG,
            Some(_) => Type::LONG_LONG,
            None if has("char") || has("bool") || has("_Bool") => {
                Type { rank: 0, bits: 8, signed: has("signed") }
            }
            None if has("long") && has("unsigned") => Type::UNSIGNED_LONG,
            None if has("long") => Type::LONG,
            None if has("unsigned") || has("size_t") => Type::UNSIGNED,
            None => Type::INT,
        }
    }

    fn name(self) -> String {
        match self {
            Type::INT => "an int of 16 bits".into(),
            _ => format!("{} bits {}", self.bits, if self.signed { "signed" } else { "unsigned" }),
        }
    }

    fn holds(self, number: f64) -> bool {
        if self == Type::FLOAT {
            return number.is_finite();
        }
        let bits = i32::from(self.bits);
        match self.signed {
            true => -(2f64.powi(bits - 1)) <= number && number < 2f64.powi(bits - 1),
            false => 0.0 <= number && number < 2f64.powi(bits),
        }
    }

    /// The value as this type: whole numbers lose their fraction; what does not fit is refused.
    pub fn take(self, value: Value) -> Result<Value, Unreadable> {
        let number = if self == Type::FLOAT { value.number } else { value.number.trunc() };
        if self.holds(number) {
            return Ok(Value { number, kind: self });
        }
        let do_next = "use a wider type, or write `L` behind a number of it";
        Err(Unreadable::new(format!("has {number}, which does not fit {}", self.name()), do_next))
    }
}

/// A value with its type. Whole numbers up to 2^52 are exact.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Value {
    number: f64,
    kind: Type,
}

impl Value {
    pub fn number(self) -> f64 {
        self.number
    }

    pub fn float(number: f64) -> Value {
        Value { number, kind: Type::FLOAT }
    }

    fn truth(yes: bool) -> Value {
        Value { number: f64::from(u8::from(yes)), kind: Type::INT }
    }
}

/// The value of an expression.
pub(super) fn evaluate(tokens: &[Token], names: &Names) -> Result<Value, Unreadable> {
    let mut expanded = Vec::new();
    let mut steps = 0;
    expand(tokens, names, &mut Vec::new(), &mut expanded, &mut steps)?;
    let mut parser = Parser { tokens: &expanded, at: 0, depth: 0, names };
    if expanded.is_empty() {
        return Err(Unreadable::new("has no value", GIVE_NUMBERS));
    }
    let value = parser.ternary()?;
    match parser.peek() {
        None => Ok(value),
        Some(token) => Err(unexpected(Some(token))),
    }
}

fn unexpected(token: Option<&Token>) -> Unreadable {
    let what = match token {
        Some(token) => {
            let short: String = token.text.chars().take(40).filter(|c| !c.is_control()).collect();
            format!("has `{short}`, which is no constant number")
        }
        None => "ends too early".to_string(),
    };
    Unreadable::new(what, GIVE_NUMBERS)
}

/// Puts the tokens of macros in place of their names, as the preprocessor does: without brackets
/// of its own. A macro inside itself stays a word.
fn expand<'a>(
    tokens: &'a [Token],
    names: &'a Names,
    inside: &mut Vec<&'a str>,
    out: &mut Vec<Token>,
    steps: &mut usize,
) -> Result<(), Unreadable> {
    for token in tokens {
        // Empty macros leave no token, so what is looked at is counted, not what comes out.
        *steps += 1;
        if *steps > MOST_TOKENS {
            return Err(Unreadable::new("grows too long by its macros", GIVE_NUMBERS));
        }
        let item = token.word().and_then(|w| names.0.get(w));
        if let Some(item) = item.filter(|_| !inside.contains(&token.text.as_str()))
            && let Meaning::Macro(body) = &item.meaning
        {
            if let Some(line) = item.unsure {
                let what = format!("uses `{}`, which depends on line {line}", token.text);
                return Err(Unreadable::new(what, GIVE_NUMBERS));
            }
            if inside.len() >= DEEPEST {
                return Err(Unreadable::new("nests macros too deep", GIVE_NUMBERS));
            }
            inside.push(&token.text);
            expand(body, names, inside, out, steps)?;
            inside.pop();
            continue;
        }
        out.push(token.clone());
    }
    Ok(())
}

struct Parser<'a> {
    tokens: &'a [Token],
    at: usize,
    depth: usize,
    names: &'a Names,
}

/// Binary operators with their precedence, from loose to tight (C99 6.5.5 to 6.5.14).
const BINARY: [(&str, u8); 18] = [
    ("||", 1),
    ("&&", 2),
    ("|", 3),
    ("^", 4),
    ("&", 5),
    ("==", 6),
    ("!=", 6),
    ("<", 7),
    (">", 7),
    ("<=", 7),
    (">=", 7),
    ("<<", 8),
    (">>", 8),
    ("+", 9),
    ("-", 9),
    ("*", 10),
    ("/", 10),
    ("%", 10),
];

impl<'a> Parser<'a> {
    fn peek(&self) -> Option<&'a Token> {
        self.tokens.get(self.at)
    }

    fn next(&mut self) -> Option<&'a Token> {
        let token = self.peek();
        self.at += 1;
        token
    }

    fn take(&mut self, sign: &str) -> bool {
        let found = self.peek().is_some_and(|t| t.is(sign));
        self.at += usize::from(found);
        found
    }

    fn need(&mut self, sign: &str) -> Result<(), Unreadable> {
        if self.take(sign) { Ok(()) } else { Err(unexpected(self.peek())) }
    }

    fn deeper(&mut self) -> Result<(), Unreadable> {
        self.depth += 1;
        if self.depth > DEEPEST {
            return Err(Unreadable::new("nests too deep", GIVE_NUMBERS));
        }
        Ok(())
    }

    fn ternary(&mut self) -> Result<Value, Unreadable> {
        self.deeper()?;
        let condition = self.binary(0)?;
        let value = if self.take("?") {
            let yes = self.ternary()?;
            self.need(":")?;
            let no = self.ternary()?;
            let kind = yes.kind.max(no.kind);
            let chosen = if condition.number != 0.0 { yes } else { no };
            Value { number: chosen.number, kind }
        } else {
            condition
        };
        self.depth -= 1;
        Ok(value)
    }

    fn binary(&mut self, above: u8) -> Result<Value, Unreadable> {
        let mut left = self.unary()?;
        while let Some((sign, level)) = self.operator().filter(|(_, level)| *level > above) {
            self.at += 1;
            let right = self.binary(level)?;
            left = combine(sign, left, right)?;
        }
        Ok(left)
    }

    fn operator(&self) -> Option<(&'static str, u8)> {
        let token = self.peek()?;
        BINARY.iter().copied().find(|(sign, _)| token.is(sign))
    }

    fn unary(&mut self) -> Result<Value, Unreadable> {
        self.deeper()?;
        let value = if self.take("-") {
            let value = self.unary()?;
            promoted(value).take(Value { number: -value.number, ..value })
        } else if self.take("+") {
            self.unary()
        } else if self.take("!") {
            self.unary().map(|v| Value::truth(v.number == 0.0))
        } else if self.take("~") {
            let value = self.unary()?;
            let kind = promoted(value);
            let all = if kind.signed { -1.0 } else { 2f64.powi(i32::from(kind.bits)) - 1.0 };
            whole(value).and_then(|v| kind.take(Value::float(all - v as f64)))
        } else {
            self.primary()
        };
        self.depth -= 1;
        value
    }

    fn primary(&mut self) -> Result<Value, Unreadable> {
        let Some(token) = self.next() else { return Err(unexpected(None)) };
        match token.kind {
            Kind::Number => literal(&token.text).ok_or_else(|| unexpected(Some(token))),
            Kind::Sign if token.is("(") => {
                if let Some(kind) = self.cast() {
                    let value = self.unary()?;
                    return kind.take(value);
                }
                let value = self.ternary()?;
                self.need(")")?;
                Ok(value)
            }
            Kind::Word if is_width_macro(&token.text) && self.take("(") => {
                let value = self.ternary()?;
                self.need(")")?;
                let words = token.text.trim_end_matches("_C").to_lowercase() + "_t";
                Type::of(&[&words]).take(value)
            }
            Kind::Word => self.named(token),
            _ => Err(unexpected(Some(token))),
        }
    }

    /// The type in `(type)` and the closing bracket, if that is what follows.
    fn cast(&mut self) -> Option<Type> {
        let words: Vec<&str> =
            self.tokens[self.at..].iter().map_while(Token::word).take(8).collect();
        let type_word = |w: &str| {
            let known = ["const", "unsigned", "signed", "char", "short", "int", "long", "float"];
            known.contains(&w)
                || ["double", "size_t", "bool", "_Bool"].contains(&w)
                || (w.ends_with("_t") && (w.starts_with("uint") || w.starts_with("int")))
        };
        let closes = self.tokens.get(self.at + words.len()).is_some_and(|t| t.is(")"));
        if words.is_empty() || !closes || !words.iter().all(|w| type_word(w)) {
            return None;
        }
        self.at += words.len() + 1;
        Some(Type::of(&words))
    }

    /// The value of an enumerator or a constant.
    fn named(&self, token: &Token) -> Result<Value, Unreadable> {
        let Some(item) = self.names.0.get(&token.text) else {
            let what = format!("uses `{}`, which the header does not define", token.text);
            return Err(Unreadable::new(what, GIVE_NUMBERS));
        };
        match &item.meaning {
            Meaning::Values(values) if item.unsure.is_none() && values.len() == 1 => {
                values.first().copied().ok_or_else(|| unexpected(Some(token)))
            }
            Meaning::Unreadable(why) => Err(Unreadable::new(
                format!("uses `{}`, which {}", token.text, why.what),
                why.do_next.clone(),
            )),
            _ => Err(unexpected(Some(token))),
        }
    }
}

/// `UINT16_C` and its kin (C99 7.18.4).
fn is_width_macro(word: &str) -> bool {
    let width = word.strip_suffix("_C").unwrap_or_default();
    ["INT8", "INT16", "INT32", "UINT8", "UINT16", "UINT32"].contains(&width)
}

/// Narrow operands count as `int` (C99 6.3.1.1).
fn promoted(value: Value) -> Type {
    value.kind.max(Type::INT)
}

fn whole(value: Value) -> Result<i64, Unreadable> {
    if value.kind == Type::FLOAT {
        return Err(Unreadable::new("uses the bits of a fraction", GIVE_NUMBERS));
    }
    Ok(value.number as i64)
}

fn combine(sign: &str, left: Value, right: Value) -> Result<Value, Unreadable> {
    let kind = promoted(left).max(promoted(right));
    let (a, b) = (left.number, right.number);
    let bits = || Ok::<_, Unreadable>((whole(left)?, whole(right)?));
    let shift = || match (whole(left)?, whole(right)?) {
        (a, by @ 0..=62) if a >= 0 => Ok((a as f64, 2f64.powi(by as i32))),
        _ => Err(Unreadable::new("shifts by what C does not define", GIVE_NUMBERS)),
    };
    let number = match sign {
        "+" => a + b,
        "-" => a - b,
        "*" => a * b,
        "/" | "%" if b == 0.0 => return Err(Unreadable::new("divides by zero", GIVE_NUMBERS)),
        "/" if kind == Type::FLOAT => a / b,
        "/" => (a / b).trunc(),
        "%" => bits().map(|(a, b)| (a % b) as f64)?,
        "&" => bits().map(|(a, b)| (a & b) as f64)?,
        "|" => bits().map(|(a, b)| (a | b) as f64)?,
        "^" => bits().map(|(a, b)| (a ^ b) as f64)?,
        "<<" => return shift().and_then(|(a, by)| promoted(left).take(Value::float(a * by))),
        ">>" => return shift().and_then(|(a, by)| promoted(left).take(Value::float(a / by))),
        "<" => return Ok(Value::truth(a < b)),
        ">" => return Ok(Value::truth(a > b)),
        "<=" => return Ok(Value::truth(a <= b)),
        ">=" => return Ok(Value::truth(a >= b)),
        "==" => return Ok(Value::truth(a == b)),
        "!=" => return Ok(Value::truth(a != b)),
        "&&" => return Ok(Value::truth(a != 0.0 && b != 0.0)),
        "||" => return Ok(Value::truth(a != 0.0 || b != 0.0)),
        _ => return Err(Unreadable::new(format!("uses the operator `{sign}`"), GIVE_NUMBERS)),
    };
    kind.take(Value { number, kind })
}

/// A number as C writes it; a plain one has the first of int, long and long long that holds it
/// (C99 6.4.4.1).
fn literal(text: &str) -> Option<Value> {
    let lower = text.to_ascii_lowercase();
    let hex = lower.starts_with("0x");
    if !hex && (lower.contains('.') || lower.contains('e')) {
        let number: f64 = lower.trim_end_matches(['f', 'l']).parse().ok()?;
        return number.is_finite().then(|| Value::float(number));
    }
    let body = lower.trim_end_matches(['u', 'l']);
    let suffix = &lower[body.len()..];
    let number = if let Some(digits) = body.strip_prefix("0x") {
        u64::from_str_radix(digits, 16)
    } else if let Some(digits) = body.strip_prefix("0b") {
        u64::from_str_radix(digits, 2)
    } else if body.len() > 1 && body.starts_with('0') {
        u64::from_str_radix(body, 8)
    } else {
        body.parse()
    };
    let number = number.ok()? as f64;
    let unsigned = suffix.contains('u');
    let long = suffix.contains('l');
    // Other than decimal numbers may become unsigned without a suffix.
    let may_be_unsigned = unsigned || body.starts_with('0');
    let order = [Type::INT, Type::UNSIGNED, Type::LONG, Type::UNSIGNED_LONG, Type::LONG_LONG];
    order
        .into_iter()
        .filter(|t| (t.signed && !unsigned) || (!t.signed && may_be_unsigned))
        .filter(|t| !long || t.bits > 16)
        .find(|t| t.holds(number))
        .map(|kind| Value { number, kind })
}
