//! One picture: lines, dots and a shaded area over a common axis, each with its name above, as SVG.
//!
//! Knows neither motors nor settings: whoever draws says what the axes are.

use core::error::Error;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

// Colours of the Okabe-Ito palette, which stay apart for colour-blind readers; each line also bears its name.
pub(crate) const BLUE: RGBColor = RGBColor(0, 114, 178);
pub(crate) const VERMILION: RGBColor = RGBColor(213, 94, 0);
pub(crate) const GREEN: RGBColor = RGBColor(0, 158, 115);
pub(crate) const ORANGE: RGBColor = RGBColor(230, 159, 0);
const GRID: RGBColor = RGBColor(228, 230, 234);
pub(crate) const AXIS: RGBColor = RGBColor(120, 126, 136);
pub(crate) const TEXT: RGBColor = RGBColor(45, 50, 58);

/// In units of half a pixel.
const SIZE: (u32, u32) = (1800, 1100);
const LABEL: (&str, f64) = ("sans-serif", 34.0);
/// Height of a row of names.
const ROW: u32 = 52;
/// How much of its colour a shaded area shows.
const SHADE: f64 = 0.22;
/// Radius of a dot.
const DOT: i32 = 9;

/// How points are drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Look {
    /// Joined.
    Line,
    /// Joined by dashes, for what is only wanted or needed.
    Dashes,
    /// Each by itself, for what was measured.
    Dots,
    /// Each by itself, for what was computed beside what was measured.
    Crosses,
}

/// Named points.
#[derive(Clone, Debug)]
pub(crate) struct Line {
    pub(crate) name: String,
    pub(crate) colour: RGBColor,
    pub(crate) look: Look,
    pub(crate) points: Vec<(f64, f64)>,
}

/// A picture to be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sheet<'a> {
    /// What the horizontal axis is, with its unit, and from where to where it goes.
    pub(crate) across: &'a str,
    pub(crate) from_to: (f64, f64),
    /// What the vertical axis is, with its unit.
    pub(crate) up: &'a str,
    /// Whether the vertical axis begins at zero; otherwise it shows what there is.
    pub(crate) from_zero: bool,
    pub(crate) lines: &'a [Line],
    /// Corners of an area shaded in blue; the blue line stands for it among the names.
    pub(crate) shade: &'a [(f64, f64)],
}

/// A joined line.
pub(crate) fn line(name: &str, colour: RGBColor, points: Vec<(f64, f64)>) -> Line {
    Line { name: name.to_owned(), colour, look: Look::Line, points }
}

impl Sheet<'_> {
    /// The picture.
    ///
    /// # Errors
    /// What the drawing library refuses.
    pub(crate) fn draw(&self) -> Result<String, Box<dyn Error>> {
        let all = || self.lines.iter().flat_map(|line| &line.points).chain(self.shade).map(|point| point.1);
        let (first, last) = if self.from_zero { (0.0, 0.0) } else { (f64::INFINITY, f64::NEG_INFINITY) };
        let (low, high) = (all().fold(first, f64::min), all().fold(last, f64::max));
        let room = 0.06 * (high - low).max(1e-9);
        let bottom = if low < 0.0 || !self.from_zero { low - room } else { 0.0 };
        let (from, to) = self.from_to;
        let mut svg = String::new();
        {
            let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
            root.fill(&WHITE)?;
            let (names, panel) = root.split_vertically(30 + ROW * (self.lines.len() as u32).div_ceil(2).max(2));
            let mut chart = ChartBuilder::on(&panel)
                .margin(30)
                .margin_right(60)
                .x_label_area_size(100)
                .y_label_area_size(140)
                .build_cartesian_2d(from..to.max(from + 1e-9), bottom..high + room)?;
            let round = |value: &f64| crate::report::number((value * 1e6).round() / 1e6);
            chart
                .configure_mesh()
                .light_line_style(TRANSPARENT)
                .bold_line_style(GRID)
                .axis_style(AXIS)
                .x_labels(10)
                .y_labels(8)
                .x_desc(self.across)
                .y_desc(self.up)
                .x_label_formatter(&round)
                .y_label_formatter(&round)
                .label_style(LABEL.into_font().color(&TEXT))
                .axis_desc_style(LABEL.into_font().color(&TEXT))
                .draw()?;
            if !self.shade.is_empty() {
                chart.draw_series([Polygon::new(self.shade.to_vec(), BLUE.mix(SHADE).filled())])?;
            }
            for line in self.lines {
                let (style, points) = (line.colour.stroke_width(5), line.points.iter().copied());
                match line.look {
                    Look::Line => chart.draw_series(LineSeries::new(points, style))?,
                    Look::Dashes => chart.draw_series(DashedLineSeries::new(points, 20, 14, style))?,
                    Look::Dots => chart.draw_series(points.map(|point| Circle::new(point, DOT, style)))?,
                    Look::Crosses => chart.draw_series(points.map(|point| Cross::new(point, DOT, style)))?,
                };
            }
            for (index, line) in self.lines.iter().enumerate() {
                named(&names, index, line, !self.shade.is_empty() && line.colour == BLUE)?;
            }
            root.present()?;
        }
        Ok(svg)
    }
}

/// Writes a line's name above the panel, two in a row, behind a piece of the line.
fn named(
    area: &DrawingArea<SVGBackend<'_>, plotters::coord::Shift>,
    index: usize,
    line: &Line,
    is_shaded: bool,
) -> Result<(), Box<dyn Error>> {
    let (column, row) = (index as i32 % 2, index as i32 / 2);
    let (x, y) = (170 + column * 830, 30 + ROW as i32 * row + ROW as i32 / 2);
    if is_shaded {
        area.draw(&Rectangle::new([(x, y - 14), (x + 70, y + 14)], BLUE.mix(SHADE).filled()))?;
    }
    let style = line.colour.stroke_width(5);
    let stroke = |from, to| PathElement::new(vec![(from, y), (to, y)], style);
    match line.look {
        Look::Line => area.draw(&stroke(x, x + 70))?,
        Look::Dashes => {
            area.draw(&stroke(x, x + 28))?;
            area.draw(&stroke(x + 42, x + 70))?;
        }
        Look::Dots => area.draw(&Circle::new((x + 35, y), DOT, style))?,
        Look::Crosses => area.draw(&Cross::new((x + 35, y), DOT, style))?,
    }
    let label = LABEL.into_font().color(&TEXT).pos(Pos::new(HPos::Left, VPos::Center));
    area.draw(&Text::new(line.name.clone(), (x + 90, y), label))?;
    Ok(())
}
