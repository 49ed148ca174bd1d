//! "Did you mean": the known word nearest to an unknown one.

/// Words longer than this are not compared.
const LONGEST: usize = 64;

/// Known words compared at most, so that advice on a large broken file takes no time to speak of.
const COMPARED: usize = 2000;

/// The known word that was most likely meant: the same but for case, or at most a third of its
/// letters wrong, missing, added or swapped.
pub(super) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    if word.len() > LONGEST {
        return None;
    }
    let wanted: Vec<char> = word.to_lowercase().chars().collect();
    let limit = (wanted.len() / 3).max(1);
    known
        .into_iter()
        .take(COMPARED)
        .filter(|k| k.len() <= LONGEST)
        .map(|k| (distance(&wanted, &k.to_lowercase().chars().collect::<Vec<_>>()), k))
        // A word of one or two letters with one wrong is another word, not a slip.
        .filter(|&(d, k)| d == 0 || (d <= limit && k.chars().count() > 1 && wanted.len() > 1))
        // Of two as near, a word of the same length: letters are mistaken more than left out.
        .min_by_key(|&(d, k)| (d, k.chars().count().abs_diff(wanted.len())))
        .map(|(_, k)| k)
}

/// Edits between two words; swapping two neighbours counts as one (restricted
/// Damerau-Levenshtein distance).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut older = vec![0; b.len() + 1];
    let mut old: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut new = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let differ = usize::from(a[i - 1] != b[j - 1]);
            new[j] = (old[j] + 1).min(new[j - 1] + 1).min(old[j - 1] + differ);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                new[j] = new[j].min(older[j - 2] + 1);
            }
        }
        older = std::mem::replace(&mut old, new);
    }
    old[b.len()]
}

/// Advice for an unknown word: the nearest known one, else what there is.
pub(super) fn advice<'a>(
    word: &str,
    kind: &str,
    known: impl IntoIterator<Item = &'a str> + Clone,
) -> String {
    if let Some(near) = nearest(word, known.clone()) {
        return format!("did you mean `{near}`?");
    }
    const SHOWN: usize = 12;
    let mut words: Vec<&str> = known.into_iter().take(SHOWN + 1).collect();
    if words.is_empty() {
        return format!("the file has no {kind}; add one first");
    }
    let dots = if words.len() > SHOWN { ", …" } else { "" };
    words.truncate(SHOWN);
    format!("use one of `{}`{dots}", words.join("`, `"))
}
