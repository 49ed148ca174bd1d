//! Prose in lines of a given width.

/// Breaks a text at blanks so that no line is longer than `width`, a longer word apart; further
/// lines are indented by two.
pub fn lines(text: &str, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let length = line.chars().count() + 1 + word.chars().count();
        if !line.trim().is_empty() && length > width {
            lines.push(std::mem::replace(&mut line, " ".to_string()));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line += word;
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::lines;

    #[test]
    fn prose_is_broken_at_blanks_and_indented() {
        assert_eq!(lines("one two three four", 9), ["one two", "  three", "  four"]);
        assert_eq!(lines("", 9), [""]);
        assert_eq!(lines("a-word-that-is-too-long", 5), ["a-word-that-is-too-long"]);
    }
}
