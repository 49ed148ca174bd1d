//! Reads constants out of a C header: `#define NAME 128`, `const uint16_t x[] = {…}`,
//! enumerators.
//!
//! Only what is asked for by name has to be readable. Integer arithmetic is that of a compiler
//! whose `int` has 16 bits, the least that C99 allows (5.2.4.2.1): what would overflow there is
//! refused, not computed.

mod conditions;
mod declarations;
mod expression;
mod lexer;

use conditions::Conditions;
use lexer::{Kind, Token};
use std::collections::HashMap;
use std::fmt;

/// Largest header in bytes.
pub const LARGEST: usize = 1 << 20;

/// What cannot be read in a header: where, what, what next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeaderProblem {
    /// The file as the caller named it.
    pub file: String,
    /// Line, from 1; none when it is about the whole file.
    pub line: Option<usize>,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub do_next: String,
}

impl fmt::Display for HeaderProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "{}:{line}: {}\n    {}", self.file, self.what, self.do_next),
            None => write!(f, "{}: {}\n    {}", self.file, self.what, self.do_next),
        }
    }
}

impl std::error::Error for HeaderProblem {}

/// Why something has no value; the place is known to the caller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Unreadable {
    pub what: String,
    pub do_next: String,
}

impl Unreadable {
    fn new(what: impl Into<String>, do_next: impl Into<String>) -> Unreadable {
        Unreadable { what: what.into(), do_next: do_next.into() }
    }
}

/// What to do when nothing better is known.
const GIVE_NUMBERS: &str = "give the numbers in its place";

/// What a name stands for.
#[derive(Clone, Debug)]
enum Meaning {
    /// A macro without arguments.
    Macro(Vec<Token>),
    /// The values of a constant, an enumerator or an array.
    Values(Vec<expression::Value>),
    /// Something else.
    Unreadable(Unreadable),
}

#[derive(Clone, Debug)]
struct Item {
    meaning: Meaning,
    line: usize,
    /// Line of a condition that cannot be known here.
    unsure: Option<usize>,
}

/// Everything that the names of a header stand for so far.
#[derive(Clone, Debug, Default)]
struct Names(HashMap<String, Item>);

/// A C header, read.
#[derive(Clone, Debug)]
pub struct CHeader {
    file: String,
    names: Names,
}

impl CHeader {
    /// Reads the text of a header. `file` is what messages call it; nothing is opened.
    ///
    /// # Errors
    /// Where comments, texts, braces or conditions do not close, or the text is too long.
    pub fn read(file: &str, text: &str) -> Result<CHeader, HeaderProblem> {
        let problem = |line: usize, why: Unreadable| HeaderProblem {
            file: file.to_string(),
            line: (line > 0).then_some(line),
            what: why.what,
            do_next: why.do_next,
        };
        if text.len() > LARGEST {
            let what = format!("the header has {} bytes; {LARGEST} are the most", text.len());
            let why = Unreadable::new(what, "check that this is the header with the thresholds");
            return Err(problem(0, why));
        }
        let tokens = lexer::tokens(text).map_err(|(line, why)| problem(line, why))?;
        let names = scan(&tokens).map_err(|(line, why)| problem(line, why))?;
        Ok(CHeader { file: file.to_string(), names })
    }

    /// Whether the header says anything of a name.
    pub fn knows(&self, name: &str) -> bool {
        self.names.0.contains_key(name)
    }

    /// The values of a name: one of a macro, a constant or an enumerator, all of an array.
    ///
    /// # Errors
    /// When the header does not have the name, or its value cannot be read, with its line.
    pub fn numbers(&self, name: &str) -> Result<Vec<f64>, HeaderProblem> {
        let problem = |line: Option<usize>, what: String, do_next: String| HeaderProblem {
            file: self.file.clone(),
            line,
            what,
            do_next,
        };
        let Some(item) = self.names.0.get(name) else {
            let do_next = match self.nearest(name) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "name the file that defines it; included files are not read".into(),
            };
            return Err(problem(None, format!("nothing here is called `{name}`"), do_next));
        };
        if let Some(at) = item.unsure {
            let what = format!("`{name}` depends on the condition in line {at}");
            let do_next = format!("what holds there cannot be known here; {GIVE_NUMBERS}");
            return Err(problem(Some(item.line), what, do_next));
        }
        let told = |why: Unreadable| {
            problem(Some(item.line), format!("`{name}` {}", why.what), why.do_next)
        };
        match &item.meaning {
            Meaning::Values(values) => Ok(values.iter().map(|v| v.number()).collect()),
            Meaning::Unreadable(why) => Err(told(why.clone())),
            Meaning::Macro(tokens) => {
                let value = expression::evaluate(tokens, &self.names).map_err(told)?;
                Ok(vec![value.number()])
            }
        }
    }

    /// The first name, in their order, that is the same but for case and `_`, or for one letter.
    fn nearest(&self, name: &str) -> Option<&str> {
        let mut known: Vec<&String> = self.names.0.keys().collect();
        known.sort();
        let bare = |s: &str| s.replace('_', "").to_lowercase();
        let one_off = |k: &str| {
            let off = k.chars().zip(name.chars()).filter(|(a, b)| a != b).count();
            k.chars().count() == name.chars().count() && off == 1
        };
        let same = known.iter().find(|k| bare(k) == bare(name));
        same.or_else(|| known.iter().find(|k| one_off(k))).map(|k| k.as_str())
    }
}

type Placed = (usize, Unreadable);

/// Goes through the header, line by line where a directive stands, statement by statement else.
fn scan(tokens: &[Token]) -> Result<Names, Placed> {
    let mut names = Names::default();
    let mut conditions = Conditions::default();
    let mut statement = declarations::Statement::default();
    let mut lines = tokens.split(|t| t.kind == Kind::LineEnd).peekable();
    while let Some(line) = lines.next() {
        let Some(first) = line.first() else { continue };
        if first.is("#") {
            let next = lines.clone().find(|l| !l.is_empty());
            directive(line, next, &mut names, &mut conditions)?;
        } else if !conditions.off() {
            for token in line {
                if let Some(whole) = statement.push(token) {
                    declarations::read(&whole, conditions.unsure(), &mut names);
                }
            }
        }
    }
    conditions.closed()?;
    match statement.begun() {
        Some(line) => Err((
            line,
            Unreadable::new(
                "what begins here does not end",
                "close its braces and end it with `;`, or give a header that compiles",
            ),
        )),
        None => Ok(names),
    }
}

/// One preprocessor line; `next` is the line after it, which tells an include guard.
fn directive(
    line: &[Token],
    next: Option<&[Token]>,
    names: &mut Names,
    conditions: &mut Conditions,
) -> Result<(), Placed> {
    let at = line.first().map_or(0, |t| t.line);
    let word = line.get(1).and_then(Token::word).unwrap_or_default();
    let rest = line.get(2..).unwrap_or_default();
    if conditions.directive(word, at, rest, next, names)? || conditions.off() {
        return Ok(());
    }
    let Some(name) = rest.first().and_then(Token::word) else { return Ok(()) };
    match word {
        "define" => {
            let body = rest.get(1..).unwrap_or_default();
            // Arguments follow the name without a blank (C99 6.10.3).
            let meaning = match body.first() {
                Some(t) if t.is("(") && t.glued => {
                    Meaning::Unreadable(Unreadable::new("is a macro with arguments", GIVE_NUMBERS))
                }
                _ => Meaning::Macro(body.to_vec()),
            };
            names.0.insert(name.into(), Item { meaning, line: at, unsure: conditions.unsure() });
        }
        "undef" => {
            names.0.remove(name);
        }
        _ => {}
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(text: &str) -> CHeader {
        CHeader::read("product.h", text).unwrap_or_else(|e| panic!("{e}"))
    }

    fn told(text: &str, name: &str) -> String {
        let read = CHeader::read("product.h", text);
        read.and_then(|h| h.numbers(name)).expect_err("it can be read").to_string()
    }

    #[test]
    fn the_usual_ways_to_write_a_threshold_are_read() {
        let h = header(
            "#ifndef PRODUCT_H\n#define PRODUCT_H 1\n#include <stdint.h>\n\
             #define LOW 128 /* just above\n the first tap */\n#define HEX 0x180u\n\
             #define SUM (LOW + \\\n  HEX)\n#define SHIFTED ((uint16_t)(1u << 7))\n\
             #define WIDE UINT16_C(640)\n#define EXACT (0.375 * 1024) // three eighths\n\
             static const uint16_t taps[4] PROGMEM = { LOW, HEX, 640, 7 * 128, };\n\
             const uint16_t pairs[][2] = {{0, 68}, {111, 291}};\n\
             enum level { LEVEL_A, LEVEL_B = 3, LEVEL_C };\n\
             typedef enum { OTHER = LEVEL_C * 2 } other_t;\n\
             static const int one = 5, two = one + 1;\n\
             uint8_t option_of(uint16_t code);\n\
             static inline int twice(int x) { return x < LOW ? 2 * x : 0; }\n\
             const uint16_t last = 1000;\n#endif\n",
        );
        for (name, values) in [
            ("LOW", vec![128.0]),
            ("HEX", vec![384.0]),
            ("SUM", vec![512.0]),
            ("SHIFTED", vec![128.0]),
            ("WIDE", vec![640.0]),
            ("EXACT", vec![384.0]),
            ("taps", vec![128.0, 384.0, 640.0, 896.0]),
            ("pairs", vec![0.0, 68.0, 111.0, 291.0]),
            ("LEVEL_A", vec![0.0]),
            ("LEVEL_C", vec![4.0]),
            ("OTHER", vec![8.0]),
            ("two", vec![6.0]),
            ("last", vec![1000.0]),
        ] {
            assert_eq!(h.numbers(name).as_ref(), Ok(&values), "{name}");
        }
    }

    /// C99 6.10.3: a macro is put in as it stands, without brackets of its own.
    #[test]
    fn a_macro_without_brackets_counts_as_the_compiler_counts_it() {
        let h = header("#define A 1 + 2\n#define B A * 2\n#define C (A) * 2\n#define D D\n");
        assert_eq!(h.numbers("B"), Ok(vec![5.0]));
        assert_eq!(h.numbers("C"), Ok(vec![6.0]));
        assert!(h.numbers("D").is_err());
    }

    #[test]
    fn integers_divide_and_cut_off_as_in_c() {
        let h = header(
            "#define A (1023 * 3 / 8)\n#define B (-7 / 2)\n#define C (-7 % 2)\n\
             #define D (2 + 3 * 4 << 1 & 0xff)\n#define E (1 ? 5 : 6)\n#define F 010\n\
             const uint16_t g[] = { 127.9, 2.5 + 2.5 };\n#define H (~0u)\n#define I !5\n",
        );
        let expected =
            [("A", 383.0), ("B", -3.0), ("C", -1.0), ("D", 28.0), ("E", 5.0), ("F", 8.0)];
        for (name, value) in expected {
            assert_eq!(h.numbers(name), Ok(vec![value]), "{name}");
        }
        assert_eq!(h.numbers("g"), Ok(vec![127.0, 5.0]));
        assert_eq!((h.numbers("H"), h.numbers("I")), (Ok(vec![65535.0]), Ok(vec![0.0])));
    }

    #[test]
    fn what_overflows_an_int_of_the_chip_is_refused_with_its_line() {
        let text = "\n#define T1 (1024 * 48 / 64)\n#define T2 (1024L * 48 / 64)\n";
        let expected = "product.h:2: `T1` has 49152, which does not fit an int of 16 bits\n    use \
                        a wider type, or write `L` behind a number of it";
        assert_eq!(told(text, "T1"), expected);
        assert_eq!(header(text).numbers("T2"), Ok(vec![768.0]));
        let narrow = "const uint8_t t[] = { 128, 640 };";
        assert!(told(narrow, "t").contains("640, which does not fit 8 bits unsigned"));
    }

    #[test]
    fn what_cannot_be_read_is_refused_with_its_line_and_what_to_do() {
        for (text, name, line, what) in [
            ("\n#define T(x) x\n", "T", 2, "is a macro with arguments"),
            ("#define T read_it()\n", "T", 1, "uses `read_it`, which the header does not define"),
            ("#define T \"128\"\n", "T", 1, "has `\"128\"`, which is no constant number"),
            ("#define T\n", "T", 1, "has no value"),
            ("#define T (1 +\n", "T", 1, "ends too early"),
            ("\n\nextern const uint16_t T[4];\n", "T", 3, "declared here without its values"),
            ("const uint16_t T[] = { [2] = 5 };", "T", 1, "names the places of its values"),
            ("#define T 1 / 0\n", "T", 1, "divides by zero"),
            ("#if REV == 2\n#define T 1\n#endif\n", "T", 2, "condition in line 1"),
            ("#ifdef __AVR__\n#else\n#define T 1\n#endif\n", "T", 3, "condition in line 1"),
        ] {
            let told = told(text, name);
            assert!(told.starts_with(&format!("product.h:{line}: `T` ")), "{told}");
            assert!(told.contains(what), "{told}");
            assert!(told.lines().count() == 2, "no advice: {told}");
        }
        let other = told("#define PROFILE_T1 5\n", "PROFILE_T2");
        assert!(other.ends_with("did you mean `PROFILE_T1`?"), "{other}");
    }

    #[test]
    fn branches_that_can_be_known_are_followed() {
        let h = header(
            "#define REV 2\n#if REV == 1\n#define T 10\n#elif REV == 2 && !defined(__cplusplus)\n\
             #define T 20\n#else\n#define T 30\n#endif\n#ifdef __cplusplus\n\
             extern \"C\" {\n#endif\n\
             #ifndef LIMIT\n#define LIMIT 40\n#endif\n#if 0\n#define T 50\n#endif\n\
             #undef REV\n",
        );
        assert_eq!((h.numbers("T"), h.numbers("LIMIT")), (Ok(vec![20.0]), Ok(vec![40.0])));
        assert!(!h.knows("REV"));
    }

    #[test]
    fn a_header_that_does_not_close_is_refused_where_it_opens() {
        for (text, line) in [
            ("\n/* open", 2),
            ("\n\n#if 1\n", 3),
            ("enum {\n A,\n", 1),
            ("\"open\nint x;", 1),
            ("#endif\n", 1),
            ("int x;\nconst int y[] = { 1,\n", 2),
        ] {
            let told = CHeader::read("a.h", text).expect_err("not closed").to_string();
            assert!(told.starts_with(&format!("a.h:{line}: ")), "{text:?}: {told}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_the_reader_fall_over(
            text in "(#|define |if |else\n|endif\n|A|B|enum|[{}()=,;?:~<1-]|0x|9e9|[\"'\n ]|/\\*|\
                     \\*/|\\\\\n|const int |\\[|\\]|é){0,60}"
        ) {
            if let Ok(h) = CHeader::read("a.h", &text) {
                for name in ["A", "B"] {
                    let _ = h.numbers(name);
                }
            }
        }
    }

    #[test]
    fn macros_that_double_each_other_end() {
        let mut text = String::from("#define X0 1+1\n");
        for i in 1..40 {
            text += &format!("#define X{i} X{p}+X{p}\n", p = i - 1);
        }
        assert!(told(&text, "X39").contains("grows too long"));
        let nothing = text.replace("1+1", "").replace('+', " ");
        assert!(told(&nothing, "X39").contains("grows too long"));
        let deep = format!("#define T {}1{}\n", "(".repeat(2000), ")".repeat(2000));
        assert!(told(&deep, "T").contains("nests too deep"));
        let signs = format!("#define T {}1\n", "-".repeat(2000));
        assert!(told(&signs, "T").contains("nests too deep"));
    }
}
