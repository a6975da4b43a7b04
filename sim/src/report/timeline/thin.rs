//! Thins what is drawn to what can be told apart.

use super::Entry;

/// Points of a curve in `columns` columns of the time from `start` to `end`: in each the first, the least, the greatest
/// and the last, so that no peak is lost.
pub(super) fn curve(points: &[(f64, f64)], start: f64, end: f64, columns: usize) -> Vec<(f64, f64)> {
    if points.len() <= 4 * columns {
        return points.to_vec();
    }
    let width = (end - start).max(f64::MIN_POSITIVE) / columns as f64;
    let column = |time: f64| ((time - start) / width).floor();
    let mut thinned = Vec::new();
    for group in points.chunk_by(|one, other| column(one.0) == column(other.0)) {
        let value = |place: &usize| group[*place].1;
        let least = (0..group.len()).min_by(|one, other| value(one).total_cmp(&value(other))).unwrap_or(0);
        let greatest = (0..group.len()).max_by(|one, other| value(one).total_cmp(&value(other))).unwrap_or(0);
        let mut places = vec![0, least, greatest, group.len() - 1];
        places.sort_unstable();
        places.dedup();
        thinned.extend(places.into_iter().map(|place| group[place]));
    }
    thinned
}

/// Entries that share a column are one mark.
pub(super) fn marks(entries: &[Entry], start: f64, end: f64, columns: usize) -> Vec<&[Entry]> {
    let width = (end - start).max(f64::MIN_POSITIVE) / columns as f64;
    let column = |entry: &Entry| ((entry.time_s - start) / width).floor();
    entries.chunk_by(|one, other| column(one) == column(other)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thinned_curve_keeps_its_peaks_and_has_no_more_points_than_can_be_seen() {
        let mut points: Vec<_> = (0..100_000).map(|place| (f64::from(place) * 1e-3, f64::from(place % 7))).collect();
        points[54_321].1 = 1e6;
        points[54_322].1 = -1e6;
        let thinned = curve(&points, 0.0, 100.0, 500);
        assert!(thinned.len() <= 4 * 501, "{}", thinned.len());
        assert!(thinned.contains(&points[54_321]) && thinned.contains(&points[54_322]));
        assert!(thinned.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        assert_eq!(curve(&points[..100], 0.0, 0.1, 500), points[..100]);
    }

    #[test]
    fn entries_of_one_column_are_one_mark_and_none_is_lost() {
        let entry = |time_s| Entry { time_s, ..Entry::default() };
        let entries: Vec<_> = (0..10_000).map(|place| entry(f64::from(place) * 1e-3)).collect();
        let marks = marks(&entries, 0.0, 10.0, 100);
        assert_eq!((marks.len(), marks.iter().map(|mark| mark.len()).sum::<usize>()), (100, 10_000));
    }
}
