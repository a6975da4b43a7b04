//! The report as one HTML page that needs nothing but itself: no network, no scripts, no fonts of its own.

use core::fmt::Write as _;

use super::chart::chart;
use super::{Disturbance, Mark, Report};

pub(super) const STYLE: &str = "
:root { color-scheme: light; }
body { margin: 0; background: #f4f5f7; color: #2d323a; font: 15px/1.5 system-ui, sans-serif; }
main { max-width: 1120px; margin: 0 auto; padding: 28px 20px 40px; }
header { border-left: 6px solid #0072b2; padding-left: 16px; margin-bottom: 20px; }
h1 { font-size: 26px; line-height: 1.2; margin: 0 0 4px; }
h2 { font-size: 17px; margin: 0 0 8px; }
section { background: #fff; border: 1px solid #dfe2e7; border-radius: 6px; padding: 16px 18px; margin: 14px 0;
  overflow-x: auto; }
p { margin: 0 0 8px; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
th, td { text-align: left; vertical-align: top; padding: 5px 12px 5px 0; border-bottom: 1px solid #e8eaee; }
th { font-weight: 600; border-bottom: 2px solid #c9ced6; }
tr:last-child td { border-bottom: 0; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 2px 18px; margin: 0; }
dt { color: #5b626d; } dd { margin: 0; }
svg { display: block; width: 100%; height: auto; }
.number { display: inline-block; min-width: 20px; padding: 0 3px; text-align: center; background: #2d323a; color: #fff;
  border-radius: 2px; font-size: 13px; }
.note { color: #5b626d; font-style: italic; }
.rounded td { background: #fff6e5; }
.fault { display: inline-block; min-width: 20px; padding: 0 3px; text-align: center; background: #d55e00; color: #fff;
  border-radius: 2px; font-size: 13px; }
.verdict { border-left-width: 6px; }
.well { border-left-color: #009e73; } .found { border-left-color: #d55e00; }
footer { color: #5b626d; font-size: 13px; margin-top: 18px; }
@media print { body { background: #fff; } section { break-inside: avoid; } }
";

/// The whole page.
///
/// # Errors
/// What the drawing library says; none is known for a track of finite numbers.
pub fn page(report: &Report) -> Result<String, Box<dyn core::error::Error>> {
    let title = escaped(&report.title);
    let mut html = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n\
         <header><h1>{title}</h1>\n<p>{}</p></header>\n",
        escaped(&report.description)
    );
    html += &verdict(report);
    html += &summary(report);
    html += &disturbances(report);
    for (axis, track) in report.tracks.iter().enumerate() {
        let drawn = chart(axis, track, report)?;
        write!(html, "<section><h2>{}</h2>\n{drawn}</section>\n", escaped(&track.name))?;
    }
    html += &scopes(report);
    html += &commands(report);
    html += &settings(report);
    html += &facts(report);
    html += &cautions(report.tracks.iter().any(|track| track.motor.is_some()));
    html += "</main>\n</body>\n</html>\n";
    Ok(html)
}

/// What a reader must not take a simulation for.
pub(super) fn cautions(has_motors: bool) -> String {
    let shown = if has_motors {
        "where an axis has a motor, it shows a model of it with the data and the load that the bench gives; elsewhere what \
         the ramp generators of the devices command, not what a motor with a load does. A real motor, its load and its \
         bearings differ from their data"
    } else {
        "it shows what the ramp generators of the devices command, not what a motor with a load does"
    };
    format!(
        "<footer><p>This is a simulation: {shown}. Motors pinch, a load drops when a bridge lets go, drivers and motors get \
         hot. An emergency stop belongs in hardware. Nothing here is a safety function; local codes and qualified people \
         decide what a machine needs.</p></footer>\n"
    )
}

fn scopes(report: &Report) -> String {
    if report.scopes.is_empty() {
        return String::new();
    }
    let text = "Voltage and current of both phases around the start of each motor's longest move, where it is as fast as it \
                gets, and where it stops. Dotted upright lines are the cursors between which the figures are read; the \
                current to compare with, dashed, is what the same amplitude makes at rest.";
    format!("<section><h2>At the motors' windings</h2>\n<p>{text}</p>\n{}</section>\n", report.scopes.concat())
}

fn verdict(report: &Report) -> String {
    if report.findings.is_empty() {
        let injected = match report.disturbances.len() {
            0 => String::new(),
            count => format!(", in spite of {count} injected fault{}", if count == 1 { "" } else { "s" }),
        };
        return format!(
            "<section class=\"verdict well\"><h2>Nothing wrong</h2>\n<p>Every target was reached, every setting \
             read back as written, no device raised a fault{injected}.</p></section>\n"
        );
    }
    let items: String = report.findings.iter().map(|finding| format!("<li>{}</li>\n", marked(finding))).collect();
    let count = report.findings.len();
    let head = if count == 1 { "One finding".to_owned() } else { format!("{count} findings") };
    format!("<section class=\"verdict found\"><h2>{head}</h2>\n<ul>\n{items}</ul></section>\n")
}

fn summary(report: &Report) -> String {
    let row = |tag: &str, cells: &[String]| {
        let cells: String = cells.iter().map(|cell| format!("<{tag}>{}</{tag}>", escaped(cell))).collect();
        format!("<tr>{cells}</tr>\n")
    };
    let table = |name: &str, columns: &[String], rows: &[Vec<String>]| {
        let rows: String = rows.iter().map(|cells| row("td", cells)).collect();
        format!("<section><h2>{name}</h2>\n<table>\n{}{rows}</table></section>\n", row("th", columns))
    };
    let mut tables = table("Axes", &report.columns, &report.rows);
    if !report.motor_rows.is_empty() {
        tables += &table("Motors", &report.motor_columns, &report.motor_rows);
    }
    tables
}

fn settings(report: &Report) -> String {
    if report.settings.is_empty() {
        return String::new();
    }
    let head: String = report.setting_columns.iter().map(|name| format!("<th>{}</th>", escaped(name))).collect();
    let row = |(cells, is_rounded): &(Vec<String>, bool)| {
        let cells: String = cells.iter().map(|cell| format!("<td>{}</td>", escaped(cell))).collect();
        format!("<tr{}>{cells}</tr>\n", if *is_rounded { " class=\"rounded\"" } else { "" })
    };
    let rows: String = report.settings.iter().map(row).collect();
    format!(
        "<section><h2>Settings</h2>\n<p>A register holds the code that is nearest to what was asked; where the two \
         differ, the row is marked.</p>\n<table>\n<tr>{head}</tr>\n{rows}</table></section>\n"
    )
}

fn disturbances(report: &Report) -> String {
    if report.disturbances.is_empty() {
        return String::new();
    }
    let head: String = report.disturbance_columns.iter().map(|name| format!("<th>{}</th>", escaped(name))).collect();
    let row = |disturbance: &Disturbance| {
        let rest = disturbance.row.iter().skip(1).map(|cell| format!("<td>{}</td>", marked(cell))).collect::<String>();
        let note = match disturbance.note.as_str() {
            "" => String::new(),
            note => format!("<tr><td></td><td colspan=\"5\" class=\"note\">{}</td></tr>\n", escaped(note)),
        };
        format!("<tr><td><span class=\"fault\">{}</span></td>{rest}</tr>\n{note}", disturbance.number)
    };
    let rows: String = report.disturbances.iter().map(row).collect();
    format!(
        "<section><h2>Injected faults</h2>\n<p>The bench made these go wrong on purpose. In the charts of the axes that \
         one concerns its time is shaded.</p>\n<table>\n<tr>{head}</tr>\n{rows}</table></section>\n"
    )
}

fn commands(report: &Report) -> String {
    let row = |mark: &Mark| {
        let asked = mark.commands.iter().map(|(axis, text)| {
            let name = report.tracks.get(*axis).map_or("", |track| &track.name);
            format!("<strong>{}</strong>: {}", escaped(name), escaped(text))
        });
        let asked = asked.collect::<Vec<_>>().join("<br>");
        let note = match mark.note.as_str() {
            "" => String::new(),
            note => format!("<br><span class=\"note\">{}</span>", escaped(note)),
        };
        let Mark { number, time_s, .. } = mark;
        format!(
            "<tr><td><span class=\"number\">{number}</span></td><td>{time_s:.6} s</td><td>{asked}{note}</td></tr>\n"
        )
    };
    let rows: String = report.marks.iter().map(row).collect();
    format!(
        "<section><h2>Commands</h2>\n<p>Each took effect at its time, when chip select rose for the last time.</p>\n\
         <table>\n<tr><th>No.</th><th>Time</th><th>Asked together</th></tr>\n{rows}</table></section>\n"
    )
}

fn facts(report: &Report) -> String {
    let fact = |(name, value): &(String, String)| format!("<dt>{}</dt><dd>{}</dd>\n", escaped(name), marked(value));
    let list: String = report.facts.iter().map(fact).collect();
    format!("<section><h2>The run</h2>\n<dl>\n{list}</dl></section>\n")
}

/// As [`escaped`], and what stands between backticks becomes code.
fn marked(text: &str) -> String {
    let parts = text.split('`').enumerate();
    let part = |(index, part)| if index % 2 == 1 { format!("<code>{}</code>", escaped(part)) } else { escaped(part) };
    parts.map(part).collect()
}

/// Text as HTML shows it.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::super::{Knot, MotorTrack, Track};
    use super::*;

    fn report() -> Report {
        Report {
            title: "Belt & <drum>".to_owned(),
            columns: vec!["axis".to_owned()],
            rows: vec![vec!["belt".to_owned()]],
            tracks: vec![Track { name: "belt".to_owned(), knots: vec![Knot::default()], motor: None }],
            marks: vec![Mark {
                number: 1,
                time_s: 0.5,
                commands: vec![(0, "stop".to_owned())],
                note: "now".to_owned(),
            }],
            end_s: 1.0,
            ..Report::default()
        }
    }

    #[test]
    fn the_page_loads_nothing_from_elsewhere() {
        let html = page(&report()).unwrap();
        let html = html.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        for outside in ["http:", "https:", "<script", "<link", "@import", "url(", "src="] {
            assert!(!html.contains(outside), "{outside} in {html}");
        }
    }

    #[test]
    fn names_of_the_bench_cannot_become_markup() {
        let html = page(&report()).unwrap();
        assert!(html.contains("Belt &amp; &lt;drum&gt;") && !html.contains("<drum>"), "{html}");
    }

    #[test]
    fn the_verdict_shows_every_finding() {
        assert!(page(&report()).unwrap().contains("Nothing wrong"));
        let findings = vec!["`belt` fell short".to_owned(), "drum was reset".to_owned()];
        let html = page(&Report { findings, ..report() }).unwrap();
        assert!(
            html.contains("2 findings")
                && html.contains("<code>belt</code> fell")
                && html.contains("drum was reset")
                && !html.contains("Nothing wrong")
        );
    }

    #[test]
    fn the_page_lists_what_was_made_to_go_wrong_and_says_so_where_nothing_came_of_it() {
        let row = ["7", "reset of `belt`", "at 1 s"].map(str::to_owned).to_vec();
        let note = "a <spark>".to_owned();
        let disturbances = vec![Disturbance { number: 7, row, note, axes: vec![0], span_s: Some((0.2, 0.2)) }];
        let html = page(&Report { disturbances, ..report() }).unwrap();
        for shown in ["in spite of 1 injected fault.", "reset of <code>belt</code>", "a &lt;spark&gt;", "\nfault 7\n"] {
            assert!(html.contains(shown), "{shown} not in {html}");
        }
        assert!(!page(&report()).unwrap().contains("njected"));
    }

    #[test]
    fn the_page_lists_commands_with_axis_time_and_note_and_ends_with_cautions() {
        let html = page(&report()).unwrap();
        assert!(html.contains("0.500000 s</td><td><strong>belt</strong>: stop<br><span class=\"note\">now"), "{html}");
        assert!(
            html.contains("An emergency stop belongs in hardware")
                && html.contains("not what a motor with a load does")
        );
        let mut with_motor = report();
        with_motor.tracks[0].motor = Some(MotorTrack::default());
        let html = page(&with_motor).unwrap();
        assert!(html.contains("An emergency stop belongs in hardware") && html.contains("it shows a model of it"));
    }
}
