//! What a person most likely meant: the known word that is nearest to a misspelt one, and what is wrong with a text
//! that should have been TOML.

use core::ops::Range;

/// The one of `candidates` that a misspelt word most likely means, if any is near.
///
/// Capitals, and blanks or underscores where a candidate has another sign, are no difference. A word of one letter is
/// near to none: every other would be one slip away.
pub(crate) fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word = plain(word);
    let length = word.chars().count();
    candidates
        .into_iter()
        .filter(|candidate| length > 1 && candidate.chars().count() > 1)
        .map(|candidate| (edits(&word, &plain(candidate)), candidate))
        .filter(|&(edits, _)| edits <= 1 + length / 4)
        .min_by_key(|&(edits, _)| edits)
        .map(|(_, candidate)| candidate)
}

fn plain(word: &str) -> String {
    word.to_lowercase().replace(['_', ' '], "-")
}

/// Letters to insert, drop or change to turn one word into another (Levenshtein's distance, row by row).
fn edits(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (index, letter) in from.chars().enumerate() {
        let mut left = index + 1;
        let mut next = vec![left];
        for ((&other, &above), &diagonal) in to.iter().zip(row.iter().skip(1)).zip(&row) {
            left = (left + 1).min(above + 1).min(diagonal + usize::from(letter != other));
            next.push(left);
        }
        row = next;
    }
    row.last().copied().unwrap_or(0)
}

/// Where a text is no TOML, as bytes of it, and why, on one line; what the reader calls by its kind alone is named.
pub(crate) fn no_toml(text: &str, error: &toml::de::Error) -> (Range<usize>, String) {
    let span = error.span().unwrap_or(0..0);
    let message = error.message().lines().collect::<Vec<_>>().join("; ");
    let named = text.get(span.clone()).filter(|name| message == "duplicate key" && !name.is_empty());
    let message = match named {
        Some(name) => format!("{message} `{name}`"),
        None => message,
    };
    (span, format!("is no TOML: {message}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: one letter is missing in the first; nothing is near the last.
    #[test]
    fn a_misspelt_word_finds_its_neighbour_and_a_strange_one_none() {
        let names = ["profile_velocity", "profile_deceleration", "stop"];
        assert_eq!(nearest("profile_velocty", names), Some("profile_velocity"));
        assert_eq!(nearest("stpo", names), Some("stop"));
        assert_eq!(nearest("colour", names), None);
        assert_eq!(edits("kitten", "sitting"), 3);
    }

    #[test]
    fn capitals_and_underscores_are_no_difference() {
        assert_eq!(nearest("Latched", ["latched", "fixed-word"]), Some("latched"));
        assert_eq!(nearest("FIXED_WORD", ["latched", "fixed-word"]), Some("fixed-word"));
    }

    #[test]
    fn a_word_of_one_letter_is_near_to_none() {
        assert_eq!(nearest("c", ["a", "b", "ab"]), None);
        assert_eq!(nearest("ab", ["a", "b"]), None);
    }

    #[test]
    fn what_is_no_toml_is_told_at_its_place_with_the_name_of_the_key() {
        let told = |text: &str| no_toml(text, &toml::de::DeTable::parse(text).unwrap_err());
        assert_eq!(told("a = 1\na = 2"), (6..7, "is no TOML: duplicate key `a`".to_owned()));
        let (span, message) = told("[chain\nb = 1");
        assert!(message.starts_with("is no TOML: unclosed table"), "{message}");
        assert_eq!(span.start, 6);
    }
}
