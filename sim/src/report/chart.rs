//! One axis as a picture: position over velocity on one time axis, a numbered line wherever it was commanded, and a
//! shade over the times at which something was made to go wrong.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::{Disturbance, Mark, Report, Track};

// Colours of the Okabe-Ito palette, which stay apart for colour-blind readers; each panel also bears its name.
const POSITION: RGBColor = RGBColor(0, 114, 178);
const VELOCITY: RGBColor = RGBColor(213, 94, 0);
const GRID: RGBColor = RGBColor(228, 230, 234);
const AXIS: RGBColor = RGBColor(120, 126, 136);
const TEXT: RGBColor = RGBColor(45, 50, 58);
const SHADE: RGBColor = RGBColor(250, 226, 208);

/// The drawing library puts points on whole units. So the chart is drawn in units of half a pixel, and the page scales it.
const SIZE: (u32, u32) = (2160, 760);
/// Height of the strip above the panels in which the numbers of the marks stand.
const STRIP: u32 = 48;
/// Height of the strip below the panels with the labels of the time axis.
const TIMES: u32 = 76;
/// The library divides sizes of text by 1.24.
const SMALL: (&str, f64) = ("sans-serif", 25.0 * 1.24);

/// The least width of a shade, as a share of the time axis.
const NARROWEST: f64 = 0.003;

type Failed = Box<dyn core::error::Error>;

/// The chart of one axis as SVG.
pub(super) fn chart(axis: usize, track: &Track, report: &Report) -> Result<String, Failed> {
    let mut svg = String::new();
    let end_s = report.end_s;
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        let (strip, panels) = root.split_vertically(STRIP);
        let (upper, lower) = panels.split_vertically((SIZE.1 - STRIP - TIMES) / 2);
        let marks: Vec<&Mark> = report.marks.iter().filter(|mark| mark.is_for(axis)).collect();
        let concerns = |disturbance: &&Disturbance| disturbance.axes.contains(&axis);
        let own = Own { marks, disturbances: report.disturbances.iter().filter(concerns).collect(), end_s };
        let positions = track.position_points(end_s);
        let velocities = track.velocity_corners(end_s);
        let columns = panel(&upper, "position, steps", POSITION, &positions, &own, false)?;
        panel(&lower, "velocity, steps/s", VELOCITY, &velocities, &own, true)?;
        numbers(&strip, &own.marks, &columns)?;
        root.present()?;
    }
    Ok(svg)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

/// What both panels of an axis show beside its motion.
#[derive(Debug)]
struct Own<'a> {
    marks: Vec<&'a Mark>,
    disturbances: Vec<&'a Disturbance>,
    end_s: f64,
}

/// Draws one panel, and tells in which pixel column each mark stands.
fn panel(
    area: &Area<'_>,
    name: &str,
    colour: RGBColor,
    points: &[(f64, f64)],
    own: &Own<'_>,
    is_lowest: bool,
) -> Result<Vec<i32>, Failed> {
    let ((low, high), end_s) = (range(points), own.end_s);
    let mut chart = ChartBuilder::on(area)
        .margin_right(48)
        .margin_top(if is_lowest { 16 } else { 4 })
        .margin_bottom(4)
        .x_label_area_size(if is_lowest { TIMES - 4 } else { 0 })
        .y_label_area_size(150)
        .build_cartesian_2d(0.0..end_s.max(1e-9), low..high)?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(GRID)
        .axis_style(AXIS)
        .x_labels(12)
        .y_labels(6)
        .x_desc(if is_lowest { "time, s" } else { "" })
        .y_desc(name)
        .x_label_formatter(&|time| label(*time, end_s))
        .y_label_formatter(&|value| label(*value, high - low))
        .label_style(SMALL.into_font().color(&TEXT))
        .axis_desc_style(SMALL.into_font().color(&TEXT))
        .draw()?;
    for disturbance in &own.disturbances {
        let Some((from_s, to_s)) = disturbance.span_s else { continue };
        // What is over at once is to be seen, too.
        let to_s = to_s.max(from_s + NARROWEST * end_s);
        chart.draw_series([Rectangle::new([(from_s, low), (to_s, high)], SHADE.filled())])?;
        if !is_lowest {
            let style = SMALL.into_font().color(&VELOCITY);
            let text = format!("fault {}", disturbance.number);
            chart.draw_series([Text::new(text, (from_s, high), style)])?;
        }
    }
    for mark in &own.marks {
        let line = [(mark.time_s, low), (mark.time_s, high)];
        chart.draw_series(DashedLineSeries::new(line, 8, 8, AXIS.stroke_width(2)))?;
    }
    chart.draw_series(LineSeries::new(points.iter().copied(), colour.stroke_width(4)))?;
    let (left, _) = area.get_base_pixel();
    Ok(own.marks.iter().map(|mark| chart.backend_coord(&(mark.time_s, low)).0 - left).collect())
}

/// Writes the numbers of the marks above their lines; those that would cover one another move to the right.
fn numbers(strip: &Area<'_>, marks: &[&Mark], columns: &[i32]) -> Result<(), Failed> {
    const WIDTH: i32 = 44;
    let style = SMALL.into_font().color(&WHITE).pos(Pos::new(HPos::Center, VPos::Center));
    let mut free = 0;
    for (mark, &column) in marks.iter().zip(columns) {
        let x = column.max(free + WIDTH / 2);
        free = x + WIDTH / 2 + 2;
        strip.draw(&Rectangle::new([(x - WIDTH / 2, 6), (x + WIDTH / 2, 42)], TEXT.filled()))?;
        strip.draw(&Text::new(mark.number.to_string(), (x, 25), style.clone()))?;
    }
    Ok(())
}

/// The values with some room above and below; never empty.
fn range(points: &[(f64, f64)]) -> (f64, f64) {
    let low = points.iter().map(|&(_, value)| value).fold(0.0, f64::min);
    let high = points.iter().map(|&(_, value)| value).fold(0.0, f64::max);
    let room = if high > low { 0.08 * (high - low) } else { 1.0 };
    (low - room, high + room)
}

/// A number on an axis of this span, without places that tell nothing.
fn label(value: f64, span: f64) -> String {
    let places = if span >= 20.0 {
        0
    } else if span >= 2.0 {
        1
    } else if span >= 0.2 {
        2
    } else {
        4
    };
    let text = format!("{value:.places$}");
    if text.trim_start_matches('-').chars().all(|c| matches!(c, '0' | '.')) { "0".to_owned() } else { text }
}

#[cfg(test)]
mod tests {
    use super::super::Knot;
    use super::*;

    fn mark(number: usize, time_s: f64, axis: usize) -> Mark {
        Mark { number, time_s, commands: vec![(axis, "move".to_owned())], note: String::new() }
    }

    #[test]
    fn a_chart_numbers_the_commands_of_its_own_axis_only() {
        let track = Track { name: "x".to_owned(), knots: vec![Knot::default()] };
        let marks = vec![mark(71, 1.0, 0), mark(72, 2.0, 1)];
        let svg = chart(0, &track, &Report { marks, end_s: 5.0, ..Report::default() }).unwrap();
        assert!(svg.contains("\n71\n") && !svg.contains("\n72\n"), "{svg}");
    }

    #[test]
    fn an_axis_that_never_moved_has_a_chart_with_room() {
        assert_eq!(range(&[(0.0, 0.0)]), (-1.0, 1.0));
        let svg = chart(0, &Track::default(), &Report::default()).unwrap();
        assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    }

    #[test]
    fn labels_leave_out_what_tells_nothing() {
        assert_eq!(label(12.34, 100.0), "12");
        assert_eq!(label(-0.0001, 5.0), "0");
        assert_eq!(label(0.25, 0.5), "0.25");
    }
}
