//! Finds the lines of the bus among the signals of a file.
//!
//! A signal's full name is that of its scopes and its own, joined by dots, and `[i]` behind it for one bit of a vector,
//! counted as the file declares the vector. Where only one signal ends in what was asked for, that much is enough.

use super::error::Error;
use super::levels::Line;
use crate::spelling::nearest;

/// Signals that a message lists.
const LISTED: usize = 24;

/// Which signal is which line; what is `None` is looked for by its usual names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Names {
    /// Chip select.
    pub cs: Option<String>,
    /// The clock.
    pub sck: Option<String>,
    /// The controller's data output.
    pub mosi: Option<String>,
    /// The controller's data input.
    pub miso: Option<String>,
}

impl Names {
    fn of(&self, line: Line) -> Option<&str> {
        match line {
            Line::Cs => self.cs.as_deref(),
            Line::Sck => self.sck.as_deref(),
            Line::Mosi => self.mosi.as_deref(),
            Line::Miso => self.miso.as_deref(),
        }
    }
}

/// What a line is called where nobody says; common practice, no published source.
const fn usual(line: Line) -> &'static [&'static str] {
    match line {
        Line::Cs => &["cs", "cs_n", "csn", "ncs", "chip_select"],
        Line::Sck => &["sck", "sclk", "clk", "clock"],
        Line::Mosi => &["mosi"],
        Line::Miso => &["miso"],
    }
}

/// A signal of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Signal<K> {
    /// Its full name, without a range.
    pub(super) name: String,
    /// What the file knows it by.
    pub(super) key: K,
    pub(super) bits: u32,
    /// The index of the leftmost bit and that of the rightmost one.
    pub(super) range: Option<(i64, i64)>,
    /// Whether it is made of levels, and not a number or a text.
    pub(super) has_levels: bool,
}

/// Where a line is found: the signal, and the bit counted from the right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Tap<K> {
    pub(super) line: Line,
    pub(super) name: String,
    pub(super) key: K,
    pub(super) bit: usize,
}

impl<K: Copy> Signal<K> {
    /// A signal as a file declares it; a range may stand at the end of the name, or apart.
    pub(super) fn new(name: &str, key: K, bits: u32, range: Option<(i64, i64)>, has_levels: bool) -> Self {
        let name = name.trim();
        let (name, range) = match range {
            Some(range) => (name, Some(range)),
            None => split_range(name),
        };
        Self { name: name.to_owned(), key, bits, range, has_levels }
    }

    /// Every name by which one of its bits can be asked for; a vector is listed as a whole.
    fn listed(&self) -> String {
        match self.range {
            Some((left, right)) if left == right => format!("{}[{left}]", self.name),
            Some((left, right)) => format!("{}[{left}:{right}]", self.name),
            None if self.bits > 1 => format!("{}[{}:0]", self.name, self.bits - 1),
            None => self.name.clone(),
        }
    }

    /// The bit counted from the right that `index` means.
    fn bit(&self, index: Option<i64>) -> Option<usize> {
        let (left, right) = self.range.unwrap_or((i64::from(self.bits) - 1, 0));
        match index {
            None => (self.bits == 1).then_some(0),
            Some(index) => {
                let inside = (left.min(right)..=left.max(right)).contains(&index);
                inside.then(|| usize::try_from(index.abs_diff(right)).ok()).flatten()
            }
        }
    }
}

/// `name[7:0]` and `name [3]` without and with their range.
fn split_range(name: &str) -> (&str, Option<(i64, i64)>) {
    let parsed = name.strip_suffix(']').and_then(|front| front.rsplit_once('[')).and_then(|(front, range)| {
        let (left, right) = range.split_once(':').unwrap_or((range, range));
        Some((front.trim_end(), (left.trim().parse().ok()?, right.trim().parse().ok()?)))
    });
    match parsed {
        Some((front, range)) if !front.is_empty() => (front, Some(range)),
        _ => (name, None),
    }
}

/// The taps of all lines that are there; chip select, and one of the data lines, may be missing.
///
/// # Errors
/// [`Error::NoSuchSignal`], with what was most likely meant.
pub(super) fn find<K: Copy>(file: &str, signals: &[Signal<K>], names: &Names) -> Result<Vec<Tap<K>>, Error> {
    let mut taps = Vec::new();
    for line in Line::ALL {
        let found = match names.of(line) {
            Some(name) => Some(by_name(signals, name).ok_or_else(|| missing(file, signals, line, Some(name)))?),
            None => usual(line).iter().find_map(|name| by_usual_name(signals, name)),
        };
        if let Some((signal, bit)) = found {
            let index = match signal.range {
                Some((left, right)) if signal.bits > 1 || left == right => {
                    let step = if left >= right { 1 } else { -1 };
                    format!("[{}]", right + step * bit as i64)
                }
                _ if signal.bits > 1 => format!("[{bit}]"),
                _ => String::new(),
            };
            taps.push(Tap { line, name: format!("{}{index}", signal.name), key: signal.key, bit });
        }
    }
    let has = |line: Line| taps.iter().any(|tap| tap.line == line);
    if !has(Line::Sck) {
        return Err(missing(file, signals, Line::Sck, None));
    }
    if !has(Line::Mosi) && !has(Line::Miso) {
        return Err(missing(file, signals, Line::Mosi, None));
    }
    Ok(taps)
}

fn by_name<'a, K: Copy>(signals: &'a [Signal<K>], name: &str) -> Option<(&'a Signal<K>, usize)> {
    let (front, range) = split_range(name);
    let index = range.filter(|(left, right)| left == right).map(|(left, _)| left);
    let asked = [(name, None), (front, index)];
    let asked = &asked[..if index.is_some() { 2 } else { 1 }];
    let is_end = |full: &str, end: &str| full.strip_suffix(end).is_some_and(|scopes| scopes.ends_with('.'));
    let with = |fits: &dyn Fn(&str, &str) -> bool| -> Vec<_> {
        let hits = asked.iter().flat_map(|&(name, index)| {
            let named = signals.iter().filter(move |signal| signal.has_levels && fits(&signal.name, name));
            named.filter_map(move |signal| Some((signal, signal.bit(index)?)))
        });
        hits.collect()
    };
    if let Some(&exact) = with(&|full, name| full == name).first() {
        return Some(exact);
    }
    match with(&is_end)[..] {
        [only] => Some(only),
        _ => None,
    }
}

/// The only signal of one bit whose own name is `name`, whatever its capitals.
fn by_usual_name<'a, K: Copy>(signals: &'a [Signal<K>], name: &str) -> Option<(&'a Signal<K>, usize)> {
    let own = |full: &str| full.rsplit('.').next().is_some_and(|own| own.eq_ignore_ascii_case(name));
    let mut hits = signals.iter().filter(|signal| signal.has_levels && own(&signal.name));
    let (only, more) = (hits.next()?, hits.next());
    if more.is_some() {
        return None;
    }
    Some((only, only.bit(None)?))
}

#[cold]
fn missing<K: Copy>(file: &str, signals: &[Signal<K>], line: Line, name: Option<&str>) -> Error {
    let shown: Vec<_> = signals.iter().filter(|signal| signal.has_levels).collect();
    let all: Vec<String> = shown.iter().map(|signal| signal.listed()).collect();
    let own = |full: &str| full.rsplit('.').next().unwrap_or_default().to_owned();
    let near = name.and_then(|name| {
        // Which bit of a vector is meant says nothing about its name.
        let (name, _) = split_range(name);
        let place = |hit: &str, names: &[String]| names.iter().position(|name| name == hit);
        let wholes: Vec<String> = shown.iter().map(|signal| signal.name.clone()).collect();
        let owns: Vec<String> = wholes.iter().map(|full| own(full)).collect();
        // The scope may be what is wrong, or missing.
        let whole = nearest(name, wholes.iter().map(String::as_str)).and_then(|hit| place(hit, &wholes));
        let near =
            whole.or_else(|| nearest(&own(name), owns.iter().map(String::as_str)).and_then(|hit| place(hit, &owns)));
        near.and_then(|place| all.get(place)).cloned()
    });
    let count = all.len();
    let listed = all.into_iter().take(LISTED).collect();
    Error::NoSuchSignal { file: file.to_owned(), line, name: name.map(str::to_owned), near, signals: listed, count }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn signals() -> Vec<Signal<u32>> {
        [("top.cs", 1), ("top.SCK", 1), ("top.down[3:0]", 4), ("top.up [0:3]", 4), ("top.split[2]", 1), ("miso", 1)]
            .iter()
            .zip(0..)
            .map(|(&(name, bits), key)| Signal::new(name, key, bits, None, true))
            .collect()
    }

    fn tap(name: &str) -> Option<(u32, usize)> {
        by_name(&signals(), name).map(|(signal, bit)| (signal.key, bit))
    }

    /// By hand: of `[3:0]` the rightmost bit is 0, of `[0:3]` it is 3.
    #[test]
    fn a_bit_of_a_vector_is_counted_as_the_vector_is_declared() {
        assert_eq!(tap("top.down[0]"), Some((2, 0)));
        assert_eq!(tap("top.down[3]"), Some((2, 3)));
        assert_eq!(tap("top.up[0]"), Some((3, 3)));
        assert_eq!(tap("top.up[3]"), Some((3, 0)));
        assert_eq!(tap("top.split[2]"), Some((4, 0)));
        assert_eq!([tap("top.down[4]"), tap("top.down"), tap("top.split[1]")], [None, None, None]);
    }

    #[test]
    fn the_end_of_a_name_is_enough_where_it_is_the_only_one() {
        assert_eq!(tap("cs"), Some((0, 0)));
        assert_eq!(tap("down[1]"), Some((2, 1)));
        assert_eq!(tap("s"), None);
    }

    #[test]
    fn lines_are_found_by_usual_names_and_a_missing_one_is_told_with_what_there_is() {
        let taps = find("a.vcd", &signals(), &Names::default()).unwrap();
        let found: Vec<_> = taps.iter().map(|tap| (tap.line, tap.name.as_str())).collect();
        assert_eq!(found, [(Line::Cs, "top.cs"), (Line::Sck, "top.SCK"), (Line::Miso, "miso")]);
        let names = Names { mosi: Some("top.dwn[1]".to_owned()), ..Names::default() };
        let told = find("a.vcd", &signals(), &names).unwrap_err().to_string();
        assert!(told.contains("no signal `top.dwn[1]` for mosi; did you mean `top.down[3:0]`?"), "{told}");
        assert!(told.contains("the file has top.cs, top.SCK,"), "{told}");
    }
}
