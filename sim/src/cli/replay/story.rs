//! What a replay tells on its page: the commands as they were decoded, the divergences, the motion of the virtual chain.

use std::fs;
use std::path::Path;
use std::sync::Arc;

use crate::capture::{Asked, Conversation, Facts, Frame, Seconds};
use crate::cli::Failure;
use crate::cli::decode::{Chain, told_of};
use crate::device::MotorSample;
use crate::replay::{Divergence, Replay};
use crate::report::Track;
use crate::report::timeline::{Entry, Lane, Series, Timeline, drawing, page};

/// Commands and divergences that the page has at most; what follows is counted. A page of more would not open.
const MOST: usize = 200_000;

/// What is gathered on the way.
pub(super) struct Story {
    conversation: Conversation,
    lanes: Vec<Lane>,
    axes: usize,
    gathered: usize,
    left_out: usize,
    first_ns: Option<i64>,
    end_ns: i64,
}

impl Story {
    pub(super) fn new(chain: &Chain) -> Self {
        let conversation = Conversation::new(Arc::clone(&chain.dictionary), chain.devices, chain.order);
        let axes = usize::from(chain.layout.axes.max(1));
        let lanes = vec![Lane::default(); chain.devices * axes];
        Self { conversation, lanes, axes, gathered: 0, left_out: 0, first_ns: None, end_ns: i64::MIN }
    }

    pub(super) fn frame(&mut self, frame: &Frame) {
        self.first_ns.get_or_insert(frame.start_ns);
        self.end_ns = self.end_ns.max(frame.end_ns);
        self.conversation.take(frame);
        self.exchanges();
    }

    fn exchanges(&mut self) {
        while let Some(exchange) = self.conversation.pop() {
            let lane = exchange.device * self.axes + axis_of(&exchange.asked);
            let (text, answer) = told_of(&exchange);
            let notes = exchange.notes.iter().map(ToString::to_string);
            let details = answer.into_iter().map(|answer| format!("answered {answer}")).chain(notes).collect();
            self.add(lane, Entry { time_s: seconds(exchange.latched_ns), text, details }, false);
        }
    }

    fn add(&mut self, lane: usize, entry: Entry, diverges: bool) {
        let Some(lane) = self.lanes.get_mut(lane) else { return };
        if self.gathered == MOST {
            self.left_out += 1;
            return;
        }
        self.gathered += 1;
        if diverges { lane.divergences.push(entry) } else { lane.commands.push(entry) }
    }

    pub(super) fn divergence(&mut self, divergence: &Divergence) {
        let Divergence { time_ns, device, question, expected, captured, meaning, frame, .. } = divergence;
        let details = vec![
            format!("frame {frame}"),
            format!("expected {expected}"),
            format!("captured {captured}"),
            meaning.to_string(),
        ];
        let entry = Entry { time_s: seconds(*time_ns), text: question.clone(), details };
        self.add(device * self.axes, entry, true);
    }

    /// Writes `report.html` and `report.svg`.
    pub(super) fn write(mut self, out: &Path, file: &str, facts: &Facts, replay: &Replay) -> Result<(), Failure> {
        self.conversation.end();
        self.exchanges();
        let timeline = self.timeline(file, facts, replay);
        let failed = |path: &Path, error: std::io::Error| {
            Failure::Input(format!("{}: cannot be written: {error}", path.display()))
        };
        fs::create_dir_all(out).map_err(|error| failed(out, error))?;
        for (name, text) in [("report.html", page(&timeline)), ("report.svg", drawing(&timeline))] {
            let path = out.join(name);
            fs::write(&path, text).map_err(|error| failed(&path, error))?;
        }
        Ok(())
    }

    fn timeline(self, file: &str, facts: &Facts, replay: &Replay) -> Timeline {
        let counts = replay.counts();
        let (answers, frames) = (counts.answers, counts.frames);
        let summary = match counts.divergences {
            0 => format!("No divergence: all that could be compared in {answers} answers of {frames} frames agrees."),
            1 => format!("One divergence in {answers} answers of {frames} frames."),
            count => format!("{count} divergences in {answers} answers of {frames} frames."),
        };
        let (origin_ns, start_ns) = (replay.origin_ns(), self.first_ns.unwrap_or(0));
        let axes = self.axes;
        let (mut lanes, mut has_motor) = (self.lanes, false);
        for (place, lane) in lanes.iter_mut().enumerate() {
            let (device, axis) = (place / axes, place % axes);
            let name = if axes == 1 { format!("device {device}") } else { format!("device {device}, axis {axis}") };
            lane.track = replay.chain().filter(|chain| device < chain.devices()).map_or_else(Track::default, |chain| {
                let corner = |point: &crate::device::Breakpoint| {
                    let time_s = seconds(origin_ns) + point.time_ns as f64 * 1e-9;
                    (time_s, point.position_steps, point.velocity_steps_per_s)
                };
                Track::through(&name, &chain.trajectory(device, axis).iter().map(corner).collect::<Vec<_>>())
            });
            lane.track.name = name;
            let chain = replay.chain().filter(|chain| device < chain.devices());
            let current = chain.and_then(|chain| of_motor(&chain.motor_samples(device, axis), seconds(origin_ns)));
            lane.series.extend(current);
            has_motor |= !lane.series.is_empty();
        }
        let mut told = vec![
            ("file".to_owned(), file.to_owned()),
            ("format".to_owned(), facts.format.to_owned()),
            ("from".to_owned(), format!("{} s", Seconds(start_ns))),
            ("to".to_owned(), format!("{} s", Seconds(self.end_ns))),
        ];
        told.extend(facts.signals.iter().map(|(line, name)| (line.to_string(), name.clone())));
        if !counts.taken_over.is_empty() {
            let names: Vec<_> = counts.taken_over.iter().map(|(name, count)| format!("{name} {count}×")).collect();
            told.push(("taken over as captured".to_owned(), names.join(", ")));
        }
        if self.left_out > 0 {
            told.push((
                "left out".to_owned(),
                format!("{} commands and divergences, as there are too many", self.left_out),
            ));
        }
        let motion = "position and velocity are those of the virtual chain, from where the recording began".to_owned();
        told.push(("motion".to_owned(), motion));
        if has_motor {
            let motors =
                "currents are those of motors on the virtual chain, with their load and no end stops, and not measured"
                    .to_owned();
            told.push(("motors".to_owned(), motors));
        }
        let (start_s, end_s) = (seconds(start_ns), seconds(self.end_ns.max(start_ns)));
        Timeline { title: format!("Replay of {file}"), summary, facts: told, lanes, start_s, end_s }
    }
}

/// The current of a motor over the recording's time.
fn of_motor(samples: &[MotorSample], origin_s: f64) -> Option<Series> {
    let point = |sample: &MotorSample| (origin_s + sample.time_ns as f64 * 1e-9, sample.current_a);
    let series =
        || Series { name: "current of the virtual motor, A".to_owned(), points: samples.iter().map(point).collect() };
    (!samples.is_empty()).then(series)
}

/// The axis that a command is for; the first where it is for the device as a whole.
fn axis_of(asked: &Asked) -> usize {
    match asked {
        Asked::Command { axis, .. } => usize::from(*axis),
        Asked::Write { sets_going: Some(going), .. } => axis_of(going),
        Asked::Write { values, .. } => values.first().map_or(0, |value| usize::from(value.axis)),
        _ => 0,
    }
}

fn seconds(ns: i64) -> f64 {
    ns as f64 * 1e-9
}
