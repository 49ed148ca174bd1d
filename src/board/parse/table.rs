//! Reads the keys of one table of the file, noting what is missing, misspelt or of a wrong kind.

use super::log::Log;
use super::near::nearest;
use crate::units::{Allow, Misread, Quantity, Ratio};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A value of the file with its place in it.
pub(super) type Value<'a> = &'a Spanned<DeValue<'a>>;

/// Something with the byte offset where it stands.
#[derive(Clone, Copy, Debug)]
pub(super) struct At<T> {
    pub(super) it: T,
    pub(super) at: usize,
}

/// One table of the file and what it is called in messages.
pub(super) struct Fields<'a> {
    table: &'a DeTable<'a>,
    /// Where its header stands.
    pub(super) at: usize,
    /// `R3`, or `[supply]`.
    pub(super) name: String,
}

/// How a kind of value is called in messages.
fn kind_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number without quotes",
        DeValue::Boolean(_) => "true or false without quotes",
        DeValue::Datetime(_) => "a date without quotes",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

impl<'a> Fields<'a> {
    /// Wraps a table and complains about keys that it cannot have.
    pub(super) fn new(
        log: &mut Log<'_>,
        table: &'a DeTable<'a>,
        at: usize,
        name: impl Into<String>,
        known: &[&str],
    ) -> Self {
        let fields = Fields { table, at, name: name.into() };
        for key in table.keys().filter(|k| !known.contains(&k.get_ref().as_ref())) {
            if log.full() {
                log.add(key.span().start, "", "");
                continue;
            }
            let near = nearest(key.get_ref(), known.iter().copied());
            let do_next = match near {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("its keys are `{}`", known.join("`, `")),
            };
            let what = format!("{} has no key `{}`", fields.name, key.get_ref().escape_debug());
            log.add(key.span().start, what, do_next);
        }
        fields
    }

    /// Wraps a table whose keys are names of the file's own, which the caller checks.
    pub(super) fn named(table: &'a DeTable<'a>, at: usize, name: impl Into<String>) -> Self {
        Fields { table, at, name: name.into() }
    }

    /// A table under a key of the file's own, called by that key in messages.
    pub(super) fn sub(
        &self,
        log: &mut Log<'_>,
        key: &str,
        known: &[&str],
        like: &str,
    ) -> Option<Fields<'a>> {
        let value = self.get(key)?;
        let Some(table) = value.get_ref().as_table() else {
            self.wrong(log, key, value, like);
            return None;
        };
        Some(Fields::new(log, table, value.span().start, key, known))
    }

    /// The value of a key, if it is there.
    pub(super) fn get(&self, key: &str) -> Option<Value<'a>> {
        self.table.get(key)
    }

    /// A key that may be left out: `Some(None)` when it is, `None` when what is there is wrong.
    pub(super) fn optional<T>(
        &self,
        key: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Option<Option<T>> {
        match self.get(key) {
            None => Some(None),
            Some(_) => read(key).map(Some),
        }
    }

    /// The value of a key that must be there.
    pub(super) fn need(&self, log: &mut Log<'_>, key: &str, like: &str) -> Option<Value<'a>> {
        let value = self.get(key);
        if value.is_none() {
            let what = format!("{} has no `{key}`", self.name);
            log.add(self.at, what, format!("add `{key} = {like}` to it"));
        }
        value
    }

    /// A value of another kind than the key takes.
    pub(super) fn wrong(&self, log: &mut Log<'_>, key: &str, value: Value<'_>, like: &str) {
        let kind = kind_of(value.get_ref());
        let what = format!("`{key}` of {} is {kind}", self.name);
        log.add(value.span().start, what, format!("write `{key} = {like}`"));
    }

    /// Text that must be there; any characters but control characters, at most `longest` of them.
    pub(super) fn text(&self, log: &mut Log<'_>, key: &str, like: &str) -> Option<At<&'a str>> {
        let value = self.need(log, key, like)?;
        self.text_of(log, key, value, like)
    }

    /// Text that may be left out.
    pub(super) fn text_or_empty(&self, log: &mut Log<'_>, key: &str, like: &str) -> Option<String> {
        match self.get(key) {
            None => Some(String::new()),
            Some(value) => self.text_of(log, key, value, like).map(|t| t.it.to_string()),
        }
    }

    fn text_of(
        &self,
        log: &mut Log<'_>,
        key: &str,
        value: Value<'a>,
        like: &str,
    ) -> Option<At<&'a str>> {
        const LONGEST: usize = 200;
        let at = value.span().start;
        let Some(it) = value.get_ref().as_str() else {
            self.wrong(log, key, value, like);
            return None;
        };
        let fault = if it.trim().is_empty() {
            "is empty".to_string()
        } else if it.chars().count() > LONGEST {
            format!("is longer than {LONGEST} characters")
        } else if it.chars().any(char::is_control) {
            "has a line break or another control character".to_string()
        } else {
            return Some(At { it, at });
        };
        let what = format!("`{key}` of {} {fault}", self.name);
        log.add(at, what, format!("write one line, like `{key} = {like}`"));
        None
    }

    /// One of a few words.
    pub(super) fn choice<T: Copy>(
        &self,
        log: &mut Log<'_>,
        key: &str,
        words: &[(&str, T)],
    ) -> Option<T> {
        let like: Vec<String> = words.iter().map(|(w, _)| format!("\"{w}\"")).collect();
        let text = self.text(log, key, &like[0])?;
        let found = words.iter().find(|(w, _)| *w == text.it);
        if found.is_none() {
            let what = format!("`{key}` of {} cannot be `{}`", self.name, text.it);
            log.add(text.at, what, format!("write `{key} = {}`", like.join("` or `")));
        }
        found.map(|&(_, value)| value)
    }

    /// `true` or `false`; false when left out.
    pub(super) fn flag(&self, log: &mut Log<'_>, key: &str) -> bool {
        let Some(value) = self.get(key) else { return false };
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong(log, key, value, "true");
        }
        flag.unwrap_or(false)
    }

    /// A whole number between two bounds, with its value when left out.
    pub(super) fn count(
        &self,
        log: &mut Log<'_>,
        key: &str,
        default: u16,
        bounds: std::ops::RangeInclusive<u16>,
    ) -> Option<u16> {
        let Some(value) = self.get(key) else { return Some(default) };
        let number = whole(value);
        let fits = number.filter(|n| bounds.contains(n));
        if fits.is_none() {
            let (low, high) = (bounds.start(), bounds.end());
            let what = format!("`{key}` of {} is no whole number from {low} to {high}", self.name);
            log.add(value.span().start, what, format!("write `{key} = {default}`"));
        }
        fits
    }

    /// A number between two bounds that must be there.
    pub(super) fn number(
        &self,
        log: &mut Log<'_>,
        key: &str,
        like: &str,
        bounds: std::ops::RangeInclusive<f64>,
    ) -> Option<f64> {
        let value = self.need(log, key, like)?;
        let fits = number(value).filter(|n| bounds.contains(n));
        if fits.is_none() {
            let (low, high) = (bounds.start(), bounds.end());
            let what = format!("`{key}` of {} is no number from {low} to {high}", self.name);
            log.add(value.span().start, what, format!("write `{key} = {like}`"));
        }
        fits
    }

    /// A quantity that must be there.
    pub(super) fn quantity<Q: Quantity>(
        &self,
        log: &mut Log<'_>,
        key: &str,
        like: &str,
        allow: Allow,
    ) -> Option<Q> {
        self.measured(log, key, like, |text| crate::units::read(text, allow))
    }

    /// A tolerance or share that must be there: 0 % or above, below 100 %.
    pub(super) fn share(&self, log: &mut Log<'_>, key: &str, like: &str) -> Option<Ratio> {
        self.measured(log, key, like, |text| {
            let share = Ratio::read(text, Allow::NonNegative)?;
            if share.0 < 1.0 {
                return Ok(share);
            }
            let what = format!("`{text}` is not below 100 %");
            Err(Misread { what, do_next: "write it like `1%`".into() })
        })
    }

    /// Text read by a reader of values; a misread text is a problem of this key.
    pub(super) fn measured<T>(
        &self,
        log: &mut Log<'_>,
        key: &str,
        like: &str,
        read: impl FnOnce(&str) -> Result<T, Misread>,
    ) -> Option<T> {
        let text = self.text(log, key, like)?;
        match read(text.it) {
            Ok(value) => Some(value),
            Err(misread) => {
                let what = format!("`{key}` of {}: {}", self.name, misread.what);
                log.add(text.at, what, misread.do_next);
                None
            }
        }
    }

    /// A list of texts; empty when left out, `None` when something in it is no text.
    pub(super) fn words(
        &self,
        log: &mut Log<'_>,
        key: &str,
        like: &str,
    ) -> Option<Vec<At<&'a str>>> {
        let Some(value) = self.get(key) else { return Some(Vec::new()) };
        let words = texts(value);
        if words.is_none() {
            self.wrong(log, key, value, like);
        }
        words
    }
}

/// The texts of a list, if it is one and holds nothing else.
pub(super) fn texts<'a>(value: Value<'a>) -> Option<Vec<At<&'a str>>> {
    let list = value.get_ref().as_array()?;
    list.iter().map(|v| v.get_ref().as_str().map(|it| At { it, at: v.span().start })).collect()
}

/// A whole number that fits.
pub(super) fn whole(value: Value<'_>) -> Option<u16> {
    let number = value.get_ref().as_integer()?;
    u16::from_str_radix(number.as_str(), number.radix()).ok()
}

/// A number, whole or not; no other than finite ones.
pub(super) fn number(value: Value<'_>) -> Option<f64> {
    let found = match value.get_ref() {
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => whole(value).map(f64::from),
    };
    found.filter(|n: &f64| n.is_finite())
}

/// The tables of `[[key]]`, each with where it stands.
pub(super) fn tables<'a>(
    log: &mut Log<'_>,
    root: &Fields<'a>,
    key: &str,
) -> Vec<At<&'a DeTable<'a>>> {
    elements(log, root, key, &format!("[[{key}]]"))
}

/// The tables in the list under a key; `each` is how one of them is written.
pub(super) fn elements<'a>(
    log: &mut Log<'_>,
    part: &Fields<'a>,
    key: &str,
    each: &str,
) -> Vec<At<&'a DeTable<'a>>> {
    let Some(value) = part.get(key) else { return Vec::new() };
    let Some(list) = value.get_ref().as_array() else {
        let what = format!("`{key}` is {}, but there can be several", kind_of(value.get_ref()));
        log.add(value.span().start, what, format!("write `{each}` before each"));
        return Vec::new();
    };
    let mut found = Vec::with_capacity(list.len());
    for element in list.iter() {
        match element.get_ref().as_table() {
            Some(it) => found.push(At { it, at: element.span().start }),
            None => {
                let what = format!("an entry of `{key}` is {}", kind_of(element.get_ref()));
                log.add(element.span().start, what, format!("write each like `{each}`"));
            }
        }
    }
    found
}
