//! How much space a text takes: an estimate on the safe side, since a picture does not know the
//! font it will be printed in.

/// Advance widths of the characters from U+0020 to U+007E in hundredths of an em, rounded up: the
/// `hmtx` table of DejaVu Sans 2.37. It is one of the widest sans-serif fonts in common use, so
/// what fits in it fits in the others.
const PLAIN: [u8; 95] = [
    32, 41, 46, 84, 64, 96, 78, 28, 40, 40, 50, 84, 32, 37, 32, 34, 64, 64, 64, 64, 64, 64, 64, 64,
    64, 64, 34, 34, 84, 84, 84, 54, 100, 69, 69, 70, 78, 64, 58, 78, 76, 30, 30, 66, 56, 87, 75,
    79, 61, 79, 70, 64, 62, 74, 69, 99, 69, 62, 69, 40, 34, 40, 84, 50, 50, 62, 64, 55, 64, 62, 36,
    64, 64, 28, 28, 58, 28, 98, 64, 62, 64, 64, 42, 53, 40, 64, 60, 82, 60, 60, 53, 64, 34, 64, 84,
];

/// The same of DejaVu Sans Bold 2.37.
const BOLD: [u8; 95] = [
    35, 46, 53, 84, 70, 101, 88, 31, 46, 46, 53, 84, 38, 42, 38, 37, 70, 70, 70, 70, 70, 70, 70,
    70, 70, 70, 40, 40, 84, 84, 84, 59, 100, 78, 77, 74, 84, 69, 69, 83, 84, 38, 38, 78, 64, 100,
    84, 86, 74, 86, 78, 73, 69, 82, 78, 111, 78, 73, 73, 46, 37, 46, 84, 50, 50, 68, 72, 60, 72,
    68, 44, 72, 72, 35, 35, 67, 35, 105, 72, 69, 72, 72, 50, 60, 48, 72, 66, 93, 65, 66, 59, 72,
    37, 72, 84,
];

/// Width of any other character, in em: wider than nearly all of them.
const OTHER: f64 = 1.1;

/// The width of a text in em, hardly ever less than it comes out in print.
pub fn ems(text: &str, bold: bool) -> f64 {
    text.chars().map(|c| em(c, bold)).sum()
}

fn em(c: char, bold: bool) -> f64 {
    let table = if bold { &BOLD } else { &PLAIN };
    let place = (c as usize).checked_sub(32);
    place.and_then(|p| table.get(p)).map_or(OTHER, |&w| f64::from(w) / 100.0)
}

/// Breaks a text at blanks so that no line is wider than `width` em; a longer word is broken
/// anywhere, one character a line at least. At least one line.
pub fn broken(text: &str, width: f64, bold: bool) -> Vec<String> {
    let blank = em(' ', bold);
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut used = 0.0;
    for word in text.split_whitespace() {
        let wide = ems(word, bold);
        if !line.is_empty() && used + blank + wide > width {
            lines.push(std::mem::take(&mut line));
            used = 0.0;
        }
        if !line.is_empty() {
            line.push(' ');
            used += blank;
        }
        for c in word.chars() {
            if !line.is_empty() && used + em(c, bold) > width {
                lines.push(std::mem::take(&mut line));
                used = 0.0;
            }
            line.push(c);
            used += em(c, bold);
        }
    }
    lines.push(line);
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_estimate_is_no_less_than_other_common_fonts_take() {
        // Adobe Core 14 AFM files, Helvetica and Helvetica-Bold, thousandths of an em.
        let helvetica = [('m', 833, 889), ('W', 944, 944), ('0', 556, 556), ('i', 222, 278)];
        for (c, plain, bold) in helvetica {
            assert!(em(c, false) >= f64::from(plain) / 1000.0, "{c}");
            assert!(em(c, true) >= f64::from(bold) / 1000.0, "{c}");
        }
    }

    proptest! {
        #[test]
        fn no_line_is_wider_than_its_room_and_no_character_is_lost(
            text in "[ -~äΩ漢]{0,120}", width in 1.2f64..40.0, bold: bool
        ) {
            let lines = broken(&text, width, bold);
            for line in &lines {
                prop_assert!(ems(line, bold) <= width + 1e-9, "{line:?}");
            }
            let squeezed = |t: &str| t.split_whitespace().collect::<String>();
            prop_assert_eq!(squeezed(&lines.concat()), squeezed(&text));
        }
    }
}
