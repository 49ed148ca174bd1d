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

/// Breaks what is longer than `width` of a page; each line keeps the blanks that it begins with.
pub fn page(text: &str, width: usize) -> String {
    let mut page = String::with_capacity(text.len());
    for line in text.split_inclusive('\n') {
        if line.trim_end().chars().count() <= width {
            page += line;
            continue;
        }
        let indent = line.len() - line.trim_start_matches(' ').len();
        let blank = &line[..indent];
        for row in lines(line, width.saturating_sub(indent)) {
            page += &format!("{blank}{row}\n");
        }
        if !line.ends_with('\n') {
            page.pop();
        }
    }
    page
}

#[cfg(test)]
mod tests {
    use super::{lines, page};

    #[test]
    fn of_a_page_only_long_lines_are_broken_and_keep_their_indent() {
        let text = "short  as is\n\n   one two three four\nfive six seven";
        let broken = "short  as is\n\n   one two\n     three\n     four\nfive six\n  seven";
        assert_eq!(page(text, 12), broken);
        assert_eq!(page(text, 80), text);
    }

    #[test]
    fn prose_is_broken_at_blanks_and_indented() {
        assert_eq!(lines("one two three four", 9), ["one two", "  three", "  four"]);
        assert_eq!(lines("", 9), [""]);
        assert_eq!(lines("a-word-that-is-too-long", 5), ["a-word-that-is-too-long"]);
    }
}
