//! Verdicts in letters seven rows high, to be read from the other side of the bench.

/// The letters that verdicts use, seven rows of five columns.
fn letter(c: char) -> [&'static str; 7] {
    match c {
        'A' => [" ### ", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"],
        'C' => [" ####", "#    ", "#    ", "#    ", "#    ", "#    ", " ####"],
        'D' => ["#### ", "#   #", "#   #", "#   #", "#   #", "#   #", "#### "],
        'E' => ["#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#####"],
        'F' => ["#####", "#    ", "#    ", "#### ", "#    ", "#    ", "#    "],
        'H' => ["#   #", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"],
        'I' => ["#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "#####"],
        'L' => ["#    ", "#    ", "#    ", "#    ", "#    ", "#    ", "#####"],
        'M' => ["#   #", "## ##", "# # #", "# # #", "#   #", "#   #", "#   #"],
        'N' => ["#   #", "##  #", "# # #", "# # #", "#  ##", "#   #", "#   #"],
        'O' => [" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "],
        'P' => ["#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "],
        'S' => [" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "],
        'T' => ["#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  "],
        _ => ["     "; 7],
    }
}

/// A word seven rows high.
pub fn rows(word: &str) -> [String; 7] {
    std::array::from_fn(|row| {
        let cells: Vec<&str> = word.chars().map(|c| letter(c)[row]).collect();
        cells.join("  ").trim_end().to_string()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_verdict_can_be_written_large() {
        for word in ["PASS", "FAIL", "HOLD", "INCOMPLETE"] {
            let rows = rows(word);
            assert!(rows.iter().all(|r| r.len() <= 78), "{word} fits 80 columns");
            assert!(word.chars().all(|c| letter(c)[0] != "     "), "{word} has every letter");
        }
    }
}
