//! One axis as a picture: position over velocity on one time axis, a numbered line wherever it was commanded, and a
//! shade over the times at which something was made to go wrong. Below, where the axis has a motor, what that did.

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::{Disturbance, Mark, MotorKnot, Report, Track};

// Colours of the Okabe-Ito palette, which stay apart for colour-blind readers; each panel also bears its name.
const POSITION: RGBColor = RGBColor(0, 114, 178);
const VELOCITY: RGBColor = RGBColor(213, 94, 0);
const ROTOR: RGBColor = RGBColor(0, 158, 115);
const CURRENT: RGBColor = RGBColor(204, 121, 167);
const WINDING: RGBColor = RGBColor(213, 94, 0);
const GRID: RGBColor = RGBColor(228, 230, 234);
const AXIS: RGBColor = RGBColor(120, 126, 136);
const TEXT: RGBColor = RGBColor(45, 50, 58);
const SHADE: RGBColor = RGBColor(250, 226, 208);

/// The drawing library puts points on whole units. So the chart is drawn in units of half a pixel, and the page scales it.
const WIDTH: u32 = 2160;
/// Heights of a panel of the motion, and of one of the motor.
const HEIGHTS: (u32, u32) = (318, 230);
/// Height of the strip above the panels in which the numbers of the marks stand.
const STRIP: u32 = 48;
/// Height of the strip below the panels with the labels of the time axis.
const TIMES: u32 = 76;
/// The library divides sizes of text by 1.24.
const SMALL: (&str, f64) = ("sans-serif", 25.0 * 1.24);

/// The least width of a shade, as a share of the time axis.
const NARROWEST: f64 = 0.003;

type Failed = Box<dyn core::error::Error>;

/// One line with its colour and, where there are several, its name.
type Line<'a> = (RGBColor, &'a str, Vec<(f64, f64)>);

/// One of the pictures above one another.
#[derive(Debug)]
struct Panel<'a> {
    name: &'a str,
    lines: Vec<Line<'a>>,
    range: (f64, f64),
    height: u32,
}

impl<'a> Panel<'a> {
    /// Of the motion; zero is in sight.
    fn of_motion(name: &'a str, lines: Vec<Line<'a>>) -> Self {
        let all: Vec<_> = lines.iter().flat_map(|(_, _, points)| points.iter().copied()).collect();
        Self { name, lines, range: range(&all), height: HEIGHTS.0 }
    }

    /// Of the motor.
    fn of_motor(name: &'a str, colour: RGBColor, points: Vec<(f64, f64)>, range: (f64, f64)) -> Self {
        Self { name, lines: vec![(colour, "", points)], range, height: HEIGHTS.1 }
    }
}

/// The panels of an axis, from above.
fn panels(track: &Track, end_s: f64) -> Vec<Panel<'static>> {
    let positions = track.position_points(end_s);
    let velocities = track.velocity_corners(end_s);
    let Some(motor) = &track.motor else {
        return vec![
            Panel::of_motion("position, steps", vec![(POSITION, "", positions)]),
            Panel::of_motion("velocity, steps/s", vec![(VELOCITY, "", velocities)]),
        ];
    };
    let of = |what: &dyn Fn(&MotorKnot) -> f64| motor.points(end_s, WIDTH / 2, what);
    let rotor = of(&|knot| track.at(knot.time_s).0 - knot.behind_steps);
    let (behind, current, winding) =
        (of(&|knot| knot.behind_steps), of(&|knot| knot.current_a), of(&|knot| knot.winding_c));
    let (behind_range, current_range) = (range(&behind), range(&current));
    let winding_range = narrow_range(&winding);
    vec![
        Panel::of_motion("position, steps", vec![(POSITION, "counter", positions), (ROTOR, "rotor", rotor)]),
        Panel::of_motion("velocity, steps/s", vec![(VELOCITY, "", velocities)]),
        Panel::of_motor("rotor behind, steps", ROTOR, behind, behind_range),
        Panel::of_motor("peak current, A", CURRENT, current, current_range),
        Panel::of_motor("winding, °C", WINDING, winding, winding_range),
    ]
}

/// The chart of one axis as SVG.
pub(super) fn chart(axis: usize, track: &Track, report: &Report) -> Result<String, Failed> {
    let mut svg = String::new();
    let end_s = report.end_s;
    {
        let panels = panels(track, end_s);
        let height = STRIP + TIMES + panels.iter().map(|panel| panel.height).sum::<u32>();
        let root = SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area();
        let (strip, mut rest) = root.split_vertically(STRIP);
        let marks: Vec<&Mark> = report.marks.iter().filter(|mark| mark.is_for(axis)).collect();
        let concerns = |disturbance: &&Disturbance| disturbance.axes.contains(&axis);
        let own = Own { marks, disturbances: report.disturbances.iter().filter(concerns).collect(), end_s };
        let mut columns = Vec::new();
        let last = panels.len() - 1;
        for (index, one) in panels.iter().enumerate() {
            let (area, below) = rest.split_vertically(one.height + if index == last { TIMES } else { 0 });
            columns = panel(&area, one, &own, (index == 0, index == last))?;
            rest = below;
        }
        numbers(&strip, &own.marks, &columns)?;
        root.present()?;
    }
    Ok(svg)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

/// What all panels of an axis show beside its motion.
#[derive(Debug)]
struct Own<'a> {
    marks: Vec<&'a Mark>,
    disturbances: Vec<&'a Disturbance>,
    end_s: f64,
}

/// Draws one panel, and tells in which pixel column each mark stands.
fn panel(
    area: &Area<'_>,
    panel: &Panel<'_>,
    own: &Own<'_>,
    (is_highest, is_lowest): (bool, bool),
) -> Result<Vec<i32>, Failed> {
    let ((low, high), end_s) = (panel.range, own.end_s);
    let mut chart = ChartBuilder::on(area)
        .margin_right(48)
        .margin_top(if is_highest { 4 } else { 16 })
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
        .y_labels(if panel.height == HEIGHTS.0 { 6 } else { 4 })
        .x_desc(if is_lowest { "time, s" } else { "" })
        .y_desc(panel.name)
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
        if is_highest {
            let style = SMALL.into_font().color(&VELOCITY);
            let text = format!("fault {}", disturbance.number);
            chart.draw_series([Text::new(text, (from_s, high), style)])?;
        }
    }
    for mark in &own.marks {
        let line = [(mark.time_s, low), (mark.time_s, high)];
        chart.draw_series(DashedLineSeries::new(line, 8, 8, AXIS.stroke_width(2)))?;
    }
    for (index, (colour, name, points)) in panel.lines.iter().enumerate() {
        // Where two lie upon one another, both are to be seen.
        let width = if index == 0 && panel.lines.len() > 1 { 8 } else { 4 };
        let drawn = chart.draw_series(LineSeries::new(points.iter().copied(), colour.stroke_width(width)))?;
        if !name.is_empty() {
            let style = colour.stroke_width(width);
            drawn.label(*name).legend(move |(x, y)| PathElement::new([(x, y), (x + 40, y)], style));
        }
    }
    if panel.lines.len() > 1 {
        chart
            .configure_series_labels()
            .position(SeriesLabelPosition::UpperLeft)
            .margin(12)
            .legend_area_size(56)
            .label_font(SMALL.into_font().color(&TEXT))
            .background_style(WHITE.mix(0.8))
            .draw()?;
    }
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

/// The values with some room above and below, a few units at least; zero need not be in sight.
fn narrow_range(points: &[(f64, f64)]) -> (f64, f64) {
    let low = points.iter().map(|&(_, value)| value).fold(f64::INFINITY, f64::min);
    let high = points.iter().map(|&(_, value)| value).fold(f64::NEG_INFINITY, f64::max);
    if low > high {
        return range(points);
    }
    let room = (0.08 * (high - low)).max(1.0);
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
    use super::super::{Knot, MotorTrack};
    use super::*;

    fn mark(number: usize, time_s: f64, axis: usize) -> Mark {
        Mark { number, time_s, commands: vec![(axis, "move".to_owned())], note: String::new() }
    }

    #[test]
    fn a_chart_numbers_the_commands_of_its_own_axis_only() {
        let track = Track { name: "x".to_owned(), knots: vec![Knot::default()], motor: None };
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
    fn an_axis_with_a_motor_has_its_rotor_its_current_and_its_heat_as_well() {
        let knot = |time_s| MotorKnot { time_s, behind_steps: 0.5, current_a: 1.5, winding_c: 40.0 };
        let motor = MotorTrack { knots: vec![knot(0.0), knot(2.0)] };
        let track = Track { motor: Some(motor), ..Track::through("x", &[(0.0, 0.0, 0.0), (1.0, 5.0, 10.0)]) };
        let svg = chart(0, &track, &Report { end_s: 3.0, ..Report::default() }).unwrap();
        for name in ["counter", "rotor behind, steps", "peak current, A", "winding, °C"] {
            assert!(svg.contains(name), "{name} not in {svg}");
        }
        let without = chart(0, &Track { motor: None, ..track }, &Report { end_s: 3.0, ..Report::default() }).unwrap();
        assert!(!without.contains("rotor") && !without.contains("winding"));
        assert_eq!(narrow_range(&[(0.0, 40.0)]), (39.0, 41.0));
        assert_eq!(narrow_range(&[]), (-1.0, 1.0));
    }

    #[test]
    fn labels_leave_out_what_tells_nothing() {
        assert_eq!(label(12.34, 100.0), "12");
        assert_eq!(label(-0.0001, 5.0), "0");
        assert_eq!(label(0.25, 0.5), "0.25");
    }
}
