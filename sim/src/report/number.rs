//! Numbers for people.

/// A number to six significant digits (more before the point if it has them), without trailing zeros.
pub(crate) fn number(value: f64) -> String {
    let digits_before = (1..16).find(|&digits| value.abs() < libm::exp10(f64::from(digits))).unwrap_or(16);
    let places = match value.abs() {
        // Below a tenth, count from the first digit that tells something.
        small if small > 0.0 && small < 0.1 => 9,
        _ => usize::try_from(6 - digits_before).unwrap_or(0),
    };
    let text = format!("{value:.places$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
    match text {
        "-0" => "0".to_owned(),
        text => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_shows_what_it_says_and_no_more() {
        assert_eq!(number(102.0), "102");
        assert_eq!(number(1.5), "1.5");
        assert_eq!(number(0.333_333_333), "0.33333");
        assert_eq!(number(-123_456.7), "-123457");
        assert_eq!(number(-0.0), "0");
        assert_eq!(number(0.000_012), "0.000012");
    }
}
