//! What a run has shown: numbers for each axis and the chain, tracks, findings.

use stepchain::map::{Flag, Parameter, Verb};
use stepchain::units::Value;
use stepchain::{AxisCommand, Command};

use super::injected::{self, InjectedFault, causes, likely_causes};
use super::ledger::Ledger;
use super::rig::{Finding, Rig};
use super::seconds;
use crate::bench::{Axis, Problem};
use crate::chain::VirtualChain;
use crate::device::MotorSample;
use crate::report::{Mark, MotorKnot, MotorTrack, Track};

/// What a run has shown.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// By axis, in the order of the bench.
    pub axes: Vec<AxisOutcome>,
    /// What was not as it should be, in the order in which it was seen.
    pub findings: Vec<Finding>,
    /// What was asked, and when it took effect.
    pub marks: Vec<Mark>,
    /// What became of the faults of the bench, in its order.
    pub injected: Vec<InjectedFault>,
    /// What came back to questions on the timeline.
    pub answers: Vec<Answer>,
    /// The motion of each axis.
    pub tracks: Vec<Track>,
    /// When the timeline began, in nanoseconds of the chain's time.
    pub start_ns: u64,
    /// How long the timeline was, in seconds.
    pub duration_s: f64,
    /// Bytes that were clocked, from power-up on.
    pub bytes_on_wire: u64,
    /// Bytes that had to be, as [`cost`](super::cost) says.
    pub least_bytes: u64,
    /// Chip selections.
    pub frames: u64,
    /// Settings that were read back and compared.
    pub settings_read_back: usize,
    /// What has happened on the chain from power-up on, one line for each entry; times are those of the chain.
    pub log: String,
}

/// What an axis answered to a question of the bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// The step, counted from 1.
    pub step: usize,
    /// The axis.
    pub axis: usize,
    /// The question, in words.
    pub asked: String,
    /// What came back, in words.
    pub answer: String,
}

/// What a run has shown of one axis.
#[derive(Clone, Debug, PartialEq)]
pub struct AxisOutcome {
    /// Its name.
    pub name: String,
    /// Where its last command told it to end, in full steps; none if that had no target.
    pub commanded_steps: Option<f64>,
    /// Where it was at the end, in full steps, without wrap-around: by its counter, or where it has a motor, by its rotor.
    pub reached_steps: f64,
    /// How far its rotor was behind the counter then, in full steps; with a motor, in whole cycles of four.
    pub lost_steps: f64,
    /// What its motor did, if it has one.
    pub motor: Option<MotorOutcome>,
    /// Its greatest speed, in full steps/s.
    pub peak_velocity: f64,
    /// How long it was in motion, in seconds.
    pub duration_s: f64,
    /// Faults that its device has shown or noticed.
    pub faults: Vec<String>,
    /// Its equal share of the bytes on the wire; the shares add up to the whole.
    pub bytes_on_wire: u64,
    /// Its equal share of the least number of bytes.
    pub least_bytes: u64,
}

/// What a run has shown of a motor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorOutcome {
    /// Greatest length of the vector of both currents on the timeline, in amperes: the peak current of a phase.
    pub peak_current_a: f64,
    /// Greatest temperature of the windings, in degrees Celsius.
    pub greatest_winding_c: f64,
    /// Greatest temperature of the output stage, in degrees Celsius.
    pub greatest_stage_c: f64,
}

/// Flags that tell of a word, and not of a motor or a device.
const OF_WORDS: &[Flag] = &[Flag::CommandUnknown, Flag::CrcMismatch];

impl Outcome {
    /// What a finding says, and which injected faults are likely to be its cause.
    #[must_use]
    pub fn told(&self, finding: &Finding) -> String {
        format!("{}{}", finding.text, causes(&self.injected, &finding.causes, false))
    }

    /// What devices have shown of their axes that is wrong, and which injected faults are likely to be the cause.
    pub fn shown(&self) -> impl Iterator<Item = String> {
        self.axes.iter().enumerate().flat_map(|(index, axis)| {
            let likely = likely_causes(&self.injected, Some(index));
            // What is wrong with a word most likely came by the bus.
            let is_of_word = |name: &&String| OF_WORDS.iter().any(|flag| flag.name() == name.as_str());
            let (of_words, others): (Vec<_>, Vec<_>) = axis.faults.iter().partition(is_of_word);
            let told = |names: Vec<&String>, of_bus| {
                let names = names.into_iter().map(String::as_str).collect::<Vec<_>>().join(", ");
                (!names.is_empty())
                    .then(|| format!("`{}` shows: {names}{}", axis.name, causes(&self.injected, &likely, of_bus)))
            };
            [told(of_words, true), told(others, false)].into_iter().flatten()
        })
    }

    /// Whether nothing was found and no device has shown a fault.
    #[must_use]
    pub fn is_well(&self) -> bool {
        self.findings.is_empty() && self.axes.iter().all(|axis| axis.faults.is_empty())
    }
}

/// Asks the devices for their last word, and puts everything together but what the timeline has brought.
pub(super) fn gather(mut rig: Rig<'_>, ledger: &Ledger) -> Result<Outcome, Problem> {
    let bench = rig.bench;
    let duration_s = seconds(rig.timeline_ns());
    let tracks: Vec<_> = (0..bench.axes.len()).map(|index| track(&rig, index)).collect();
    let reached: Vec<_> = bench.axes.iter().map(|axis| reached_steps(&rig.chain, axis)).collect();
    let motors: Vec<_> = bench.axes.iter().map(|axis| motor_outcome(&rig, axis)).collect();
    compare_positions(&mut rig)?;
    if bench.layout.form(Verb::TakeStatus).is_some() {
        rig.call_every_device(Command::TakeStatus)?;
    }
    let (bytes_on_wire, least_bytes) = (rig.chain.bytes_on_wire(), rig.least_bytes);
    let ends = tracks.iter().zip(reached).zip(motors);
    let axes = bench.axes.iter().zip(ends).enumerate().map(|(index, (axis, ((track, reached_steps), motor)))| {
        let share = |whole| share(whole, index, bench.axes.len());
        AxisOutcome {
            name: axis.name.clone(),
            commanded_steps: ledger.target(index).map(|target| axis.steps(target as f64)),
            reached_steps,
            lost_steps: rig.chain.lost_steps(axis.device, axis.axis.into()),
            motor,
            peak_velocity: track.peak_velocity(duration_s),
            duration_s: moving_s(track, duration_s),
            faults: rig.faults.get(index).cloned().unwrap_or_default(),
            bytes_on_wire: share(bytes_on_wire),
            least_bytes: share(least_bytes),
        }
    });
    let axes: Vec<AxisOutcome> = axes.collect();
    let mut injected = injected::so_far(&rig);
    for (index, fault) in injected.iter_mut().enumerate() {
        let shows = |axis: &usize| axes.get(*axis).is_some_and(|axis| !axis.faults.is_empty());
        fault.is_suspected = rig.findings.iter().any(|finding| finding.causes.contains(&index))
            || fault.began_s.is_some() && fault.axes.iter().any(shows);
    }
    Ok(Outcome {
        axes,
        findings: std::mem::take(&mut rig.findings),
        marks: Vec::new(),
        injected,
        answers: Vec::new(),
        tracks,
        start_ns: rig.start_ns(),
        duration_s,
        bytes_on_wire,
        least_bytes,
        frames: rig.chain.frames(),
        settings_read_back: rig.read_back,
        log: rig.chain.log_text(),
    })
}

/// Where an axis is now, in full steps: its counter, or what that would be where its motor has the rotor.
fn reached_steps(chain: &VirtualChain, axis: &Axis) -> f64 {
    let (device, of_device) = (axis.device, axis.axis.into());
    let behind = if axis.motor.is_some() { chain.following_error_steps(device, of_device) } else { 0.0 };
    axis.steps(chain.position(device, of_device) as f64) - behind
}

fn motor_outcome(rig: &Rig<'_>, axis: &Axis) -> Option<MotorOutcome> {
    axis.motor.as_ref()?;
    let samples = rig.chain.motor_samples(axis.device, axis.axis.into());
    let greatest = |of: fn(&MotorSample) -> f64| {
        let on_timeline = samples.iter().filter(|sample| sample.time_ns >= rig.start_ns());
        on_timeline.map(of).fold(f64::NEG_INFINITY, f64::max)
    };
    Some(MotorOutcome {
        peak_current_a: greatest(|sample| sample.current_a),
        greatest_winding_c: greatest(|sample| sample.winding_c),
        greatest_stage_c: greatest(|sample| sample.stage_c),
    })
}

/// How long a track moves until then, in seconds.
pub(crate) fn moving_s(track: &Track, end_s: f64) -> f64 {
    // A sum of differences of instants: what is below a nanosecond is rounding. The sum of none is −0.
    (track.moving_s(end_s) * 1e9).round() / 1e9 + 0.0
}

/// The motion of one axis on the timeline; what was before it is its first instant.
fn track(rig: &Rig<'_>, index: usize) -> Track {
    rig.bench.axes.get(index).map_or_else(Track::default, |axis| track_of(&rig.chain, axis, rig.start_ns()))
}

/// The motion of one axis from an instant on.
pub(crate) fn track_of(chain: &VirtualChain, axis: &Axis, start_ns: u64) -> Track {
    let corners: Vec<_> = chain
        .trajectory(axis.device, axis.axis.into())
        .iter()
        .map(|point| {
            let time_s = seconds(point.time_ns.saturating_sub(start_ns));
            (time_s, point.position_steps, point.velocity_steps_per_s)
        })
        .collect();
    let motor = axis.motor.as_ref().map(|_| motor_track_of(chain, axis, start_ns));
    Track { motor, ..Track::through(&axis.name, &corners) }
}

/// What the motor of an axis did from an instant on.
fn motor_track_of(chain: &VirtualChain, axis: &Axis, start_ns: u64) -> MotorTrack {
    let (device, of_device) = (axis.device, axis.axis.into());
    let samples = chain.motor_samples(device, of_device);
    let since = samples.iter().filter(|sample| sample.time_ns >= start_ns);
    let knot = |sample: &MotorSample| MotorKnot {
        time_s: seconds(sample.time_ns - start_ns),
        behind_steps: sample.following_error_steps,
        current_a: sample.current_a,
        winding_c: sample.winding_c,
    };
    MotorTrack { knots: since.map(knot).collect() }
}

/// Reads the position of every axis that stands through the driver: what it says must be where the axis is.
fn compare_positions(rig: &mut Rig<'_>) -> Result<(), Problem> {
    let bench = rig.bench;
    let is_readable = |axis| {
        bench.layout.form(Verb::ReadParameter).is_some()
            && bench.layout.register(Parameter::PositionDemandValue, axis).is_some()
    };
    for of_device in (0..bench.layout.axes).filter(|&axis| is_readable(axis)) {
        let read: AxisCommand = Command::read(Parameter::PositionDemandValue).on(of_device);
        let call = rig.call(&vec![read; bench.devices])?;
        for (index, axis) in bench.axes.iter().enumerate().filter(|(_, axis)| axis.axis == of_device) {
            compare_position(
                rig,
                index,
                call.replies.get(axis.device).copied().flatten().and_then(|reply| reply.value),
            );
        }
    }
    Ok(())
}

/// What an axis has `told` through the driver must be what its counter shows, unless it moves meanwhile.
fn compare_position(rig: &mut Rig<'_>, index: usize, told: Option<Value>) {
    let Some(axis) = rig.bench.axes.get(index) else { return };
    if rig.chain.is_moving(axis.device, axis.axis.into()) {
        return;
    }
    let is = rig.bench.layout.position.wrapped(rig.chain.position(axis.device, axis.axis.into()));
    if matches!(told, Some(Value::Position(told)) if told.to_bits() == is) {
        return;
    }
    let told = told.map_or("nothing".to_owned(), |told| told.to_string());
    rig.find(Some(index), format!("`{}` says {told}, but its counter shows {is} microsteps", axis.name));
}

/// The share of one of `count` in a whole, such that all shares together are the whole.
fn share(whole: u64, index: usize, count: usize) -> u64 {
    let (index, count) = (index as u64, (count as u64).max(1));
    whole * (index + 1) / count - whole * index / count
}

#[cfg(test)]
mod tests {
    use stepchain::units::{Position, Velocity};

    use super::*;
    use crate::bench::{Source, parse};

    /// By hand: 2²³ + 5 is −2²³ + 5 on a counter of 24 bits.
    #[test]
    fn a_device_that_tells_another_position_than_it_has_is_found_unless_it_moves() {
        let text = "until_s = 1\nchain = { map = \"latched\", axes = [\"a\", \"b\"] }\n\
                    [[step]]\nat_s = 0\na = { move_velocity = 5 }\n";
        let bench = parse(&Source { file: "b.toml", text }).unwrap();
        let mut rig = Rig::new(&bench).unwrap();
        rig.chain.set_position(1, 0, (1 << 23) + 5);
        let told = |microsteps| Some(Value::Position(Position::from_microsteps(microsteps)));
        compare_position(&mut rig, 1, told(5 - (1 << 23)));
        assert!(rig.findings.is_empty(), "{:?}", rig.findings);
        compare_position(&mut rig, 1, told(5));
        compare_position(&mut rig, 1, Some(Velocity::ZERO.into()));
        compare_position(&mut rig, 0, None);
        let found: Vec<_> = rig.findings.iter().map(|finding| (finding.axis, finding.text.as_str())).collect();
        let expected = [
            (Some(1), "`b` says 5 microsteps, but its counter shows -8388603 microsteps"),
            (Some(1), "`b` says 0 steps/s, but its counter shows -8388603 microsteps"),
            (Some(0), "`a` says nothing, but its counter shows 0 microsteps"),
        ];
        assert_eq!(found, expected);
        rig.step(1, &bench.steps[0]).unwrap();
        rig.advance_to(500_000_000);
        compare_position(&mut rig, 0, None);
        assert_eq!(rig.findings.len(), 3, "one that moves is elsewhere by the time that it is asked");
    }

    #[test]
    fn shares_differ_by_at_most_one_and_add_up_to_the_whole() {
        let shares: Vec<_> = (0..3).map(|index| share(100, index, 3)).collect();
        assert_eq!(shares, [33, 33, 34]);
    }
}
