//! The page: one file with its picture, its style and the few lines of script that answer to a pointer and to keys.
//!
//! The arrow keys go from mark to mark, Home and End to the first and the last, Enter and a click keep a mark's details,
//! Escape lets them go. Everything that the picture tells stands in a table, too.

use core::fmt::Write as _;

use super::drawing::picture;
use super::{Entry, Timeline};
use crate::report::number;
use crate::report::page::{STYLE, cautions, escaped};

/// Rows of the table of divergences; of more the number is told.
const LISTED: usize = 500;

const OWN_STYLE: &str = "
.mark { cursor: pointer; outline: none; }
.mark:hover .target, .mark.chosen .target { fill: #ffe9a8; stroke: #2d323a; stroke-width: 1.5; }
.mark:focus-visible .target { fill: #ffe9a8; stroke: #2d323a; stroke-width: 2.5; }
#detail { position: sticky; bottom: 0; background: #2d323a; color: #fff; border-radius: 6px 6px 0 0; padding: 10px 16px;
  min-height: 66px; white-space: pre-wrap; overflow-wrap: anywhere; max-height: 40vh; overflow-y: auto; z-index: 2; }
#detail.kept { box-shadow: inset 5px 0 0 #ffc83d; }
.legend { display: flex; gap: 22px; flex-wrap: wrap; margin: 0; }
.legend svg { display: inline-block; width: 18px; height: 16px; vertical-align: -3px; margin-right: 5px; }
button.jump { font: inherit; color: #0a5c8c; background: none; border: 0; padding: 0; text-decoration: underline; cursor: pointer; }
kbd { font: inherit; border: 1px solid #b9bfc9; border-radius: 3px; padding: 0 4px; }
";

const SCRIPT: &str = "
'use strict';
const marks = [...document.querySelectorAll('.mark')].sort((a, b) =>
  a.dataset.lane - b.dataset.lane || a.dataset.time - b.dataset.time);
const detail = document.getElementById('detail');
const rest = detail.textContent;
let kept = null;
function show(mark) { detail.textContent = mark ? mark.dataset.details : rest; }
function keep(mark) {
  if (kept) { kept.classList.remove('chosen'); kept.setAttribute('aria-pressed', 'false'); }
  kept = mark;
  detail.classList.toggle('kept', !!mark);
  if (mark) { mark.classList.add('chosen'); mark.setAttribute('aria-pressed', 'true'); }
  show(mark);
}
function enter(mark) {
  marks.forEach(other => other.setAttribute('tabindex', other === mark ? '0' : '-1'));
  mark.focus({ preventScroll: true });
  mark.scrollIntoView({ block: 'nearest' });
}
marks.forEach((mark, place) => {
  mark.setAttribute('tabindex', place === 0 ? '0' : '-1');
  mark.addEventListener('mouseenter', () => { if (!kept) { show(mark); } });
  mark.addEventListener('mouseleave', () => { if (!kept) { show(null); } });
  mark.addEventListener('focus', () => { if (!kept) { show(mark); } });
  mark.addEventListener('click', () => keep(kept === mark ? null : mark));
  mark.addEventListener('keydown', event => {
    const to = { ArrowRight: place + 1, ArrowDown: place + 1, ArrowLeft: place - 1, ArrowUp: place - 1,
      Home: 0, End: marks.length - 1 }[event.key];
    if (marks[to]) { event.preventDefault(); if (kept) { keep(marks[to]); } enter(marks[to]); }
    if (event.key === 'Enter' || event.key === ' ') { event.preventDefault(); keep(kept === mark ? null : mark); }
  });
});
document.addEventListener('keydown', event => { if (event.key === 'Escape') { keep(null); } });
document.querySelectorAll('button.jump').forEach(button => button.addEventListener('click', () => {
  const own = marks.filter(mark => mark.dataset.lane === button.dataset.lane && mark.classList.contains('divergence'));
  const before = own.filter(mark => +mark.dataset.time <= +button.dataset.time + 1e-12);
  const mark = before[before.length - 1] || own[0];
  if (mark) { keep(mark); enter(mark); }
}));
";

/// The page, as one file.
#[must_use]
pub fn page(timeline: &Timeline) -> String {
    let title = escaped(&timeline.title);
    let count: usize = timeline.lanes.iter().map(|lane| lane.divergences.len()).sum();
    let class = if count == 0 { "well" } else { "found" };
    let mut html = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>{title}</title>\n<style>{STYLE}{OWN_STYLE}</style>\n</head>\n<body>\n<main>\n\
         <header><h1>{title}</h1></header>\n<section class=\"verdict {class}\"><p>{}</p></section>\n{LEGEND}",
        escaped(&timeline.summary)
    );
    html += &list(timeline);
    for (number, lane) in timeline.lanes.iter().enumerate() {
        let _ = writeln!(html, "<section class=\"lane\">{}</section>", picture(timeline, number, lane));
    }
    let facts: String = timeline
        .facts
        .iter()
        .map(|(name, value)| format!("<dt>{}</dt><dd>{}</dd>", escaped(name), escaped(value)))
        .collect();
    let _ = writeln!(html, "<section><h2>Recording</h2>\n<dl>{facts}</dl></section>");
    html += &cautions(false);
    html += "<div id=\"detail\" role=\"status\" aria-live=\"polite\">Point at a mark, or go from one to the next with the \
             arrow keys. A click or Enter keeps what it says.</div>\n";
    let _ = writeln!(html, "</main>\n<script>{SCRIPT}</script>\n</body>\n</html>");
    html
}

const LEGEND: &str = "<section><p class=\"legend\"><span><svg viewBox=\"0 0 18 16\"><rect x=\"6\" y=\"1\" width=\"5\" \
    height=\"14\" fill=\"#3a414c\"/></svg>a command, as it takes effect</span><span><svg viewBox=\"0 0 18 16\"><rect x=\"2\" \
    y=\"1\" width=\"14\" height=\"14\" fill=\"#fff\" stroke=\"#c0390b\" stroke-width=\"2\"/><path d=\"M5.5 4.5l7 7m0 -7l-7 7\" \
    stroke=\"#c0390b\" stroke-width=\"2.2\"/></svg>a divergence: another answer than the virtual device gives</span>\
    <span><kbd>Tab</kbd> into the picture, <kbd>←</kbd> <kbd>→</kbd> from mark to mark, <kbd>Enter</kbd> keeps, \
    <kbd>Esc</kbd> lets go</span></p></section>\n";

fn list(timeline: &Timeline) -> String {
    let mut all: Vec<(usize, &Entry)> = Vec::new();
    for (number, lane) in timeline.lanes.iter().enumerate() {
        all.extend(lane.divergences.iter().map(|entry| (number, entry)));
    }
    all.sort_by(|one, other| one.1.time_s.total_cmp(&other.1.time_s));
    if all.is_empty() {
        return String::new();
    }
    let row = |&(lane, entry): &(usize, &Entry)| {
        let name = timeline.lanes.get(lane).map_or("", |lane| lane.track.name.as_str());
        let details: Vec<_> = entry.details.iter().map(|line| escaped(line)).collect();
        format!(
            "<tr><td><button class=\"jump\" data-lane=\"{lane}\" data-time=\"{:.9}\">{} s</button></td><td>{}</td>\
             <td>{}</td><td>{}</td></tr>\n",
            entry.time_s,
            number(entry.time_s),
            escaped(name),
            escaped(&entry.text),
            details.join("<br>")
        )
    };
    let rows: String = all.iter().take(LISTED).map(row).collect();
    let more = match all.len().saturating_sub(LISTED) {
        0 => String::new(),
        more => format!("<p>And {more} more.</p>\n"),
    };
    format!(
        "<section id=\"divergences\"><h2>Divergences</h2>\n<table>\n<tr><th>time</th><th>axis</th><th>asked</th>\
         <th>expected, captured, meaning</th></tr>\n{rows}</table>{more}</section>\n"
    )
}
