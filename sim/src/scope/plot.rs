//! A trace as a picture: voltages above, currents below, cursors and what they read in words.

use core::error::Error;
use core::ops::Range;

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::{Cursors, Figures, Sample, Trace};
use crate::report::number;

// Colours of the Okabe-Ito palette, which stay apart for colour-blind readers; the phases also differ in their dashes.
const BLUE: RGBColor = RGBColor(0, 114, 178);
const VERMILION: RGBColor = RGBColor(213, 94, 0);
const GRID: RGBColor = RGBColor(228, 230, 234);
const AXIS: RGBColor = RGBColor(120, 126, 136);
const TEXT: RGBColor = RGBColor(45, 50, 58);

/// In units of half a pixel.
const SIZE: (u32, u32) = (1800, 1400);
const HEAD: u32 = 230;
const LABEL: (&str, f64) = ("sans-serif", 32.0);
const TITLE: (&str, f64) = ("sans-serif", 40.0);
/// Points of a line; more do not show. Each stretch of samples that shares a point shows its lowest and its highest.
const POINTS: usize = 1500;

type Point = (f64, f64);
type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// Draws a trace, with time in milliseconds from the trigger on, the cursors, what is read between them, and dashed the
/// current with which it is compared.
///
/// # Errors
/// What the drawing library refuses.
pub fn plot(trace: &Trace, title: &str, cursors: &Cursors, reference_a: Option<f64>) -> Result<String, Box<dyn Error>> {
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        root.fill(&WHITE)?;
        let (head, rest) = root.split_vertically(HEAD);
        let (upper, lower) = rest.split_vertically((SIZE.1 - HEAD) / 2);
        words(&head, title, trace.figures(cursors, reference_a).as_ref())?;
        panel(&upper, trace, cursors, "voltage, V", None, |sample| sample.voltages_v)?;
        panel(&lower, trace, cursors, "current, A", reference_a, |sample| sample.currents_a)?;
        root.present()?;
    }
    Ok(svg)
}

/// Title, names of the lines, and figures.
fn words(area: &Area<'_>, title: &str, figures: Option<&Figures>) -> Result<(), Box<dyn Error>> {
    let left = |font: (&'static str, f64)| font.into_font().color(&TEXT).pos(Pos::new(HPos::Left, VPos::Center));
    area.draw(&Text::new(title.to_owned(), (40, 45), left(TITLE)))?;
    for (place, name, colour, dash) in [(0, "phase A", BLUE, 0), (1, "phase B", VERMILION, 10)] {
        let (x, y) = (1300 + 250 * place, 45);
        let line = vec![(x, y), (x + 70, y)];
        match dash {
            0 => area.draw(&PathElement::new(line, colour.stroke_width(5)))?,
            _ => {
                for piece in [(x, x + 18), (x + 26, x + 44), (x + 52, x + 70)] {
                    area.draw(&PathElement::new(vec![(piece.0, y), (piece.1, y)], colour.stroke_width(5)))?;
                }
            }
        }
        area.draw(&Text::new(name, (x + 86, y), left(LABEL)))?;
    }
    for (row, text) in figures.map(told).unwrap_or_default().into_iter().enumerate() {
        area.draw(&Text::new(text, (40, 105 + 44 * row as i32), left(LABEL)))?;
    }
    Ok(())
}

/// The figures in words, a line each.
fn told(figures: &Figures) -> Vec<String> {
    let round = |value: f64| number((value * 1e3).round() / 1e3);
    let pair = |values: [f64; 2]| format!("{} and {}", round(values[0]), round(values[1]));
    let periods = match figures.periods {
        None => "; the field stands".to_owned(),
        Some(0) => "; less than an electrical period".to_owned(),
        Some(1) => "; 1 electrical period".to_owned(),
        Some(count) => format!("; {count} electrical periods"),
    };
    let droop = figures.droop_percent.map_or(String::new(), |percent| {
        let (percent, way) = (round(percent.abs()), if percent < 0.0 { "above" } else { "below" });
        format!(", {percent} % {way} the dashed current")
    });
    vec![
        format!(
            "Between the cursors: {} ms{periods}. Amplitude {} A{droop}.",
            round(figures.duration_s * 1e3),
            round(figures.amplitude_a)
        ),
        format!(
            "A and B: peak {} V, {} A; RMS {} V, {} A.",
            pair(figures.peak_v),
            pair(figures.peak_a),
            pair(figures.rms_v),
            pair(figures.rms_a)
        ),
    ]
}

fn panel(
    area: &Area<'_>,
    trace: &Trace,
    cursors: &Cursors,
    what: &str,
    reference: Option<f64>,
    of: fn(&Sample) -> [f64; 2],
) -> Result<(), Box<dyn Error>> {
    let time = |ns: u64| (ns as f64 - trace.trigger_ns as f64) * 1e-6;
    let (first, last) = (trace.samples.first(), trace.samples.last());
    let times = first.map_or(0.0, |sample| time(sample.time_ns))..last.map_or(0.0, |sample| time(sample.time_ns));
    let times = times.start..times.end.max(times.start + 1e-9);
    let greatest =
        trace.samples.iter().flat_map(of).map(f64::abs).chain(reference).fold(0.0, f64::max).max(1e-9) * 1.08;
    let mut chart = ChartBuilder::on(area)
        .margin(20)
        .margin_right(60)
        .x_label_area_size(90)
        .y_label_area_size(140)
        .build_cartesian_2d(times.clone(), -greatest..greatest)?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(GRID)
        .axis_style(AXIS)
        .x_labels(10)
        .y_labels(7)
        .x_desc("time from the event, ms")
        .y_desc(what)
        .x_label_formatter(&|x| number((x * 1e6).round() / 1e6))
        .y_label_formatter(&|y| number((y * 1e6).round() / 1e6))
        .label_style(LABEL.into_font().color(&TEXT))
        .axis_desc_style(LABEL.into_font().color(&TEXT))
        .draw()?;
    let upright = |at: f64| vec![(at, -greatest), (at, greatest)];
    if times.contains(&0.0) {
        chart.draw_series(LineSeries::new(upright(0.0), AXIS.stroke_width(3)))?;
    }
    for at in [cursors.from_ns, cursors.to_ns].map(time) {
        chart.draw_series(DashedLineSeries::new(upright(at), 4, 8, TEXT.stroke_width(3)))?;
    }
    for level in reference.into_iter().flat_map(|level| [-level, level]) {
        let across = vec![(times.start, level), (times.end, level)];
        chart.draw_series(DashedLineSeries::new(across, 24, 14, AXIS.stroke_width(3)))?;
    }
    let points = |phase: usize| thinned(&trace.samples, |sample| (time(sample.time_ns), of(sample)[phase]));
    chart.draw_series(LineSeries::new(points(0), BLUE.stroke_width(4)))?;
    chart.draw_series(DashedLineSeries::new(points(1), 18, 8, VERMILION.stroke_width(4)))?;
    Ok(())
}

/// So few points that a picture can hold them, with all extremes.
fn thinned(samples: &[Sample], point: impl Fn(&Sample) -> (f64, f64)) -> Vec<(f64, f64)> {
    let stretch = samples.len().div_ceil(POINTS).max(1);
    if stretch == 1 {
        return samples.iter().map(point).collect();
    }
    let mut points = Vec::new();
    for piece in samples.chunks(2 * stretch) {
        let ends = extremes(piece.iter().map(&point));
        points.extend(ends.map(|range| [range.start, range.end]).into_iter().flatten());
    }
    points
}

/// The lowest and the highest point, in the order of time.
fn extremes(points: impl Iterator<Item = (f64, f64)>) -> Option<Range<(f64, f64)>> {
    let (mut low, mut high): (Option<Point>, Option<Point>) = (None, None);
    for point in points {
        low = low.filter(|low| low.1 <= point.1).or(Some(point));
        high = high.filter(|high| high.1 >= point.1).or(Some(point));
    }
    let (low, high) = (low?, high?);
    Some(if low.0 <= high.0 { low..high } else { high..low })
}
