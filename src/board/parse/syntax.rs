//! Mistakes in the TOML itself, in words for somebody who has not met TOML before.

use super::super::ids::LONGEST;
use super::log::Log;
use toml::de::Error;

/// Tells the first mistake of each line: further ones in it mostly follow from the first.
pub(super) fn tell(log: &mut Log<'_>, text: &str, errors: &[Error]) {
    let place = |e: &Error| e.span().map_or(text.len(), |span| span.start).min(text.len());
    let mut errors: Vec<(usize, &Error)> = errors.iter().map(|e| (place(e), e)).collect();
    errors.sort_by_key(|(at, _)| *at);
    let mut told = None;
    for (at, error) in errors {
        // The end of a file that ends in a line feed belongs to the line before.
        let at = if at == text.len() && text.ends_with('\n') { at - 1 } else { at };
        let start = text.as_bytes()[..at].iter().rposition(|&b| b == b'\n').map_or(0, |i| i + 1);
        if told.replace(start) != Some(start) {
            let (what, do_next) = words(error, text);
            log.add_shown(at, what, do_next);
        }
    }
}

/// What is wrong, and what to do about it.
fn words(error: &Error, text: &str) -> (String, &'static str) {
    let message = error.message();
    let marked = error.span().and_then(|span| text.get(span)).unwrap_or_default();
    let marked: String = marked.trim().chars().take(LONGEST).collect();
    let marked = marked.escape_debug();
    let has = |part: &str| message.contains(part);
    let quotes = "put text between two quotes on one line: `value = \"2k2\"`";
    if has("duplicate key") {
        let advice = "take one of the two out; of parts there can be several, with \
                      `[[resistor]]` and the like before each";
        return (format!("`{marked}` stands here a second time"), advice);
    }
    if has("recur") {
        let advice =
            "a board file nests three tables deep at most; check that this is the board file";
        return (message.to_string(), advice);
    }
    if has("unclosed table") || has("unclosed array table") {
        let advice = "close it as in `[board]` or `[[resistor]]`, on a line of its own";
        return ("the heading of the table is not closed".into(), advice);
    }
    if has("must be quoted") {
        let what = match error.span() {
            Some(span) if span.is_empty() => "there is no value after `=`".to_string(),
            _ => format!("`{marked}` stands without quotes"),
        };
        return (what, quotes);
    }
    if has("basic string") || has("literal string") {
        return ("the text is not closed: a quote is missing".into(), quotes);
    }
    if has("array") && (has("missing comma") || has("unclosed")) {
        let advice = "put a comma between two entries, and `]` after the last";
        return ("the list is not finished here: a comma or `]` is missing".into(), advice);
    }
    if has("key-value pairs") || has("unclosed inline table") {
        let advice = "put a comma between two of its keys, and `}` after the last";
        return ("the table in { } is not finished here: a comma or `}` is missing".into(), advice);
    }
    if has("boolean") {
        return (format!("`{marked}` is neither true nor false"), "write `true` or `false`");
    }
    let advice = "write `key = value`, text in quotes, one key on a line; `#` begins a remark";
    if has("expected newline") {
        return ("there is more on the line than a key and its value".into(), advice);
    }
    if has("key with no value") {
        return ("there is no `=` after the key".into(), advice);
    }
    if has("unquoted key") && !marked.to_string().is_empty() {
        return (format!("`{marked}` cannot stand in a key"), advice);
    }
    (message.to_string(), advice)
}
