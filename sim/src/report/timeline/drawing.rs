//! The picture: for each axis a strip of marks, and below it a panel for each curve, all on one time axis.
//!
//! ```text
//!   x   | ||  |  ⊠   |     commands and divergences
//!       ────────────────   position, steps
//!       ────────────────   velocity, steps/s
//!       ────────────────   what else there is
//! ```

use core::fmt::Write as _;

use super::colours::{COMMAND, DIVERGENCE, GRID, OTHER, POSITION, TEXT, VELOCITY};
use super::thin::{curve, marks};
use super::{Entry, Lane, Timeline};
use crate::report::number;
use crate::report::page::escaped;

const WIDTH: f64 = 1080.0;
const LEFT: f64 = 92.0;
const RIGHT: f64 = 36.0;
const PLOT: f64 = WIDTH - LEFT - RIGHT;
const NAME: f64 = 26.0;
const STRIP: f64 = 44.0;
const PANEL: f64 = 116.0;
/// Above each panel, for its name.
const GAP: f64 = 24.0;
const TIMES: f64 = 40.0;
/// Columns in which marks are told apart: as wide as a mark.
const MARKS: usize = 88;
/// Columns in which curves are.
const COLUMNS: usize = 970;
/// Entries of which a mark tells the details; of more it tells the number.
const TOLD: usize = 12;

/// The picture for documents: SVG that stands alone.
#[must_use]
pub fn drawing(timeline: &Timeline) -> String {
    let mut body = String::new();
    let mut top = 0.0;
    for (number, lane) in timeline.lanes.iter().enumerate() {
        let _ = writeln!(body, "<g transform=\"translate(0 {top})\">{}</g>", of_lane(timeline, number, lane));
        top += height(lane);
    }
    let height = top.max(1.0);
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" \
         height=\"{height}\" font-family=\"system-ui, sans-serif\"><rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n\
         {body}</svg>\n"
    )
}

/// The picture of one axis, as the page has it.
pub(super) fn picture(timeline: &Timeline, number: usize, lane: &Lane) -> String {
    format!(
        "<svg viewBox=\"0 0 {WIDTH} {}\" role=\"group\" aria-label=\"{}\">{}</svg>\n",
        height(lane),
        escaped(&lane.track.name),
        of_lane(timeline, number, lane)
    )
}

fn height(lane: &Lane) -> f64 {
    let panels = (2 + lane.series.len()) as f64;
    NAME + STRIP + panels * (PANEL + GAP) + TIMES
}

fn span(timeline: &Timeline) -> f64 {
    (timeline.end_s - timeline.start_s).max(1e-9)
}

fn of_lane(timeline: &Timeline, number: usize, lane: &Lane) -> String {
    let mut svg = format!(
        "<text x=\"{LEFT}\" y=\"17\" font-size=\"15\" font-weight=\"600\" fill=\"{TEXT}\">{}</text>\n",
        escaped(&lane.track.name)
    );
    let x = |time_s: f64| LEFT + PLOT * ((time_s - timeline.start_s) / span(timeline)).clamp(0.0, 1.0);
    let bottom = height(lane) - TIMES + 10.0;
    let (start, end) = (timeline.start_s, timeline.end_s);
    let mut top = NAME + STRIP + GAP;
    let positions = curve(&lane.track.position_points(end), start, end, COLUMNS);
    let velocities = curve(&lane.track.velocity_corners(end), start, end, COLUMNS);
    let mut panels =
        vec![("position, steps", POSITION, "", positions), ("velocity, steps/s", VELOCITY, "", velocities)];
    for series in &lane.series {
        panels.push((&series.name, OTHER, "7 3", curve(&series.points, start, end, COLUMNS)));
    }
    for (name, colour, dashes, points) in &panels {
        svg += &panel(name, colour, dashes, points, top, &x);
        top += PANEL + GAP;
    }
    svg += &times(timeline, bottom, &x);
    let commands = marks(&lane.commands, start, end, MARKS);
    let divergences = marks(&lane.divergences, start, end, MARKS);
    for group in commands {
        svg += &mark(group, "command", number, x(group[0].time_s), bottom);
    }
    for group in divergences {
        svg += &mark(group, "divergence", number, x(group[0].time_s), bottom);
    }
    svg
}

fn panel(name: &str, colour: &str, dashes: &str, points: &[(f64, f64)], top: f64, x: &impl Fn(f64) -> f64) -> String {
    let low = points.iter().map(|point| point.1).fold(0.0, f64::min);
    let high = points.iter().map(|point| point.1).fold(0.0, f64::max);
    let room = if high > low { 0.06 * (high - low) } else { 1.0 };
    let (low, high) = (low - room, high + room);
    let y = |value: f64| top + PANEL * (high - value) / (high - low);
    let mut svg = format!(
        "<rect x=\"{LEFT}\" y=\"{top}\" width=\"{PLOT}\" height=\"{PANEL}\" fill=\"#fff\" stroke=\"{GRID}\"/>\n"
    );
    for value in ticks(low, high, 4) {
        let (at, label) = (y(value), number(value));
        let _ = writeln!(
            svg,
            "<path d=\"M{LEFT} {at:.1}h{PLOT}\" stroke=\"{GRID}\"/><text x=\"{:.1}\" y=\"{:.1}\" font-size=\"12\" \
             text-anchor=\"end\" fill=\"{TEXT}\">{label}</text>",
            LEFT - 6.0,
            at + 4.0
        );
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"12.5\" fill=\"{TEXT}\" paint-order=\"stroke\" stroke=\"#fff\" \
         stroke-width=\"4\">{}</text>",
        LEFT,
        top - 6.0,
        escaped(name)
    );
    let mut path = String::new();
    for (place, (time_s, value)) in points.iter().enumerate() {
        let _ = write!(path, "{}{:.1} {:.1}", if place == 0 { 'M' } else { 'L' }, x(*time_s), y(*value));
    }
    let _ = writeln!(
        svg,
        "<path d=\"{path}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2.2\" stroke-linejoin=\"round\" \
         stroke-dasharray=\"{dashes}\"/>"
    );
    svg
}

fn times(timeline: &Timeline, bottom: f64, x: &impl Fn(f64) -> f64) -> String {
    let mut svg = String::new();
    for time_s in ticks(timeline.start_s, timeline.end_s, 10) {
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"12\" text-anchor=\"middle\" fill=\"{TEXT}\">{}</text>",
            x(time_s),
            bottom + 8.0,
            number(time_s)
        );
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"12\" text-anchor=\"end\" fill=\"{TEXT}\">time, s</text>",
        WIDTH - RIGHT,
        bottom + 26.0
    );
    svg
}

/// Round values between two ends, about so many; never more than twice that.
fn ticks(low: f64, high: f64, wanted: u32) -> Vec<f64> {
    let rough = (high - low).max(1e-12) / f64::from(wanted);
    let power = libm::pow(10.0, libm::floor(libm::log10(rough)));
    let step = [1.0, 2.0, 5.0, 10.0].map(|factor| factor * power).into_iter().find(|step| *step >= rough);
    let step = step.unwrap_or(10.0 * power);
    let first = libm::ceil(low / step);
    (0..2 * wanted).map(|place| (first + f64::from(place)) * step).take_while(|value| *value <= high).collect()
}

/// One mark: a line over all panels, and on the strip what can be pointed at.
fn mark(group: &[Entry], kind: &str, lane: usize, x: f64, bottom: f64) -> String {
    let first = &group[0];
    let label = match group.len() {
        1 => first.text.clone(),
        count => format!("{count} {kind}s from {} s on", number(first.time_s)),
    };
    let lines = group.iter().take(TOLD).flat_map(|entry| {
        let head = format!("{} s: {}", number(entry.time_s), entry.text);
        std::iter::once(head).chain(entry.details.iter().map(|line| format!("    {line}")))
    });
    let mut details: Vec<_> = lines.collect();
    if group.len() > TOLD {
        details.push(format!("and {} more", group.len() - TOLD));
    }
    let (colour, top) = if kind == "command" { (COMMAND, NAME + 8.0) } else { (DIVERGENCE, NAME + 25.0) };
    let shape = match kind {
        // A bar, and the number of commands beside it.
        "command" => format!("<rect x=\"{:.1}\" y=\"{top}\" width=\"5\" height=\"14\" fill=\"{colour}\"/>", x - 2.5),
        // A cross in a square.
        _ => format!(
            "<rect x=\"{:.1}\" y=\"{top}\" width=\"14\" height=\"14\" fill=\"#fff\" stroke=\"{colour}\" \
             stroke-width=\"2\"/><path d=\"M{:.1} {:.1}l7 7m0 -7l-7 7\" stroke=\"{colour}\" stroke-width=\"2.2\"/>",
            x - 7.0,
            x - 3.5,
            top + 3.5
        ),
    };
    let count = match group.len() {
        1 => String::new(),
        count => format!(
            "<text x=\"{x:.1}\" y=\"{:.1}\" font-size=\"10\" text-anchor=\"middle\" fill=\"{colour}\">{count}</text>",
            if kind == "command" { top - 2.0 } else { top + 24.0 }
        ),
    };
    let (dashes, faint, from) = if kind == "command" { ("2 5", 0.45, top + 14.0) } else { ("", 0.9, top + 14.0) };
    format!(
        "<g class=\"mark {kind}\" tabindex=\"-1\" role=\"button\" data-lane=\"{lane}\" data-time=\"{:.9}\" \
         aria-label=\"{} at {} s: {}\" data-details=\"{}\"><path d=\"M{x:.1} {from}V{:.1}\" stroke=\"{colour}\" \
         stroke-width=\"1.2\" stroke-dasharray=\"{dashes}\" opacity=\"{faint}\" pointer-events=\"none\"/><rect class=\"target\" \
         x=\"{:.1}\" y=\"{:.1}\" width=\"16\" height=\"18\" fill=\"transparent\"/>{shape}{count}</g>\n",
        first.time_s,
        kind,
        number(first.time_s),
        escaped(&label),
        escaped(&details.join("\n")),
        bottom - 12.0,
        x - 8.0,
        top - 2.0,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks(0.0, 10.0, 5), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]);
        assert_eq!(ticks(-3.0, 9.0, 4), [0.0, 5.0]);
        assert!(ticks(5.0, 5.0, 4).len() <= 8);
    }

    #[test]
    fn a_picture_of_a_hundred_thousand_entries_is_small_and_counts_them_all() {
        let entry = |place: u32| Entry { time_s: f64::from(place) * 1e-3, text: "stop".to_owned(), ..Entry::default() };
        let lane = Lane { commands: (0..100_000).map(entry).collect(), ..Lane::default() };
        let timeline = Timeline { lanes: vec![lane], end_s: 100.0, ..Timeline::default() };
        let svg = drawing(&timeline);
        assert!(svg.len() < 200_000, "{} bytes", svg.len());
        let counts = svg.split("aria-label=\"command at ").skip(1).filter_map(|rest| {
            let (_, label) = rest.split_once("s: ")?;
            label.split(' ').next()?.parse::<usize>().ok()
        });
        assert_eq!(counts.sum::<usize>(), 100_000);
    }
}
