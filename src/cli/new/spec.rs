//! A template on the command line: `NAME`, or `NAME: key=value; key=value`.

use crate::cli::Failure;
use crate::units::{Allow, Ohms, Quantity, Ratio, range, read};

/// What a flag said, its keys taken one by one.
pub struct Spec {
    flag: &'static str,
    /// The name of the template.
    pub name: String,
    keys: Vec<(String, String)>,
}

impl Spec {
    /// Splits the text of a flag. `known` are the keys that it may have.
    pub fn read(flag: &'static str, text: &str, known: &[&str]) -> Result<Spec, Failure> {
        let (name, rest) = text.split_once(':').unwrap_or((text, ""));
        let mut spec = Spec { flag, name: name.trim().to_string(), keys: Vec::new() };
        for pair in rest.split(';').map(str::trim).filter(|p| !p.is_empty()) {
            let Some((key, value)) = pair.split_once('=') else {
                let what = format!("`{}` is no `key=value`", pair.escape_debug());
                return Err(spec.wrong(&what, "put `;` between the keys"));
            };
            let (key, value) = (key.trim(), value.trim());
            if !known.contains(&key) {
                let what = format!("the key `{}` is not known", key.escape_debug());
                return Err(spec.wrong(&what, &format!("known: {}", known.join(", "))));
            }
            if spec.keys.iter().any(|(k, _)| k == key) {
                return Err(spec.wrong(&format!("`{key}` stands there twice"), "take one out"));
            }
            spec.keys.push((key.to_string(), value.to_string()));
        }
        Ok(spec)
    }

    /// A complaint about this flag, with what to do.
    pub fn wrong(&self, what: &str, do_next: &str) -> Failure {
        let name = self.name.escape_debug();
        Failure::input(format!("{} {name}: {what}; {do_next}", self.flag))
    }

    /// The text of a key.
    pub fn text(&self, key: &str) -> Option<&str> {
        self.keys.iter().find(|(k, _)| k == key).map(|(_, v)| v.as_str())
    }

    /// The text of a key that has to be there.
    pub fn need(&self, key: &str, like: &str) -> Result<&str, Failure> {
        self.text(key).ok_or_else(|| self.wrong(&format!("`{key}` is missing"), like))
    }

    /// A value above zero.
    pub fn value<Q: Quantity>(&self, key: &str) -> Result<Option<Q>, Failure> {
        let read = |text| read::<Q>(text, Allow::Positive);
        self.text(key)
            .map(read)
            .transpose()
            .map_err(|e| self.wrong(&format!("{key}: {}", e.what), &e.do_next))
    }

    /// Resistances with commas between.
    pub fn values(&self, key: &str) -> Result<Option<Vec<Ohms>>, Failure> {
        let one = |text: &str| {
            read::<Ohms>(text.trim(), Allow::Positive)
                .map_err(|e| self.wrong(&format!("{key}: {}", e.what), &e.do_next))
        };
        self.text(key).map(|list| list.split(',').map(one).collect()).transpose()
    }

    /// A smallest and a largest value.
    pub fn range<Q: Quantity>(&self, key: &str, allow: Allow) -> Result<Option<(Q, Q)>, Failure> {
        let read = |text| range::<Q>(text, allow);
        self.text(key)
            .map(read)
            .transpose()
            .map_err(|e| self.wrong(&format!("{key}: {}", e.what), &e.do_next))
    }

    /// A share.
    pub fn share(&self, key: &str, otherwise: Ratio) -> Result<Ratio, Failure> {
        let read = |text| Ratio::read(text, Allow::NonNegative);
        let share = self.text(key).map(read).transpose();
        Ok(share
            .map_err(|e| self.wrong(&format!("{key}: {}", e.what), &e.do_next))?
            .unwrap_or(otherwise))
    }

    /// A whole number.
    pub fn count(&self, key: &str) -> Result<Option<usize>, Failure> {
        let number = |text: &str| {
            let what = || format!("{key}: `{}` is no whole number", text.escape_debug());
            text.parse().map_err(|_| self.wrong(&what(), "write it like 5"))
        };
        self.text(key).map(number).transpose()
    }

    /// One of some words.
    pub fn choice<T: Copy>(
        &self,
        key: &str,
        words: &[(&str, T)],
        otherwise: T,
    ) -> Result<T, Failure> {
        let Some(text) = self.text(key) else { return Ok(otherwise) };
        words.iter().find(|(w, _)| *w == text).map(|(_, t)| *t).ok_or_else(|| {
            let known: Vec<&str> = words.iter().map(|(w, _)| *w).collect();
            let what = format!("{key}: `{}` is none of its words", text.escape_debug());
            self.wrong(&what, &format!("take {}", known.join(" or ")))
        })
    }
}
