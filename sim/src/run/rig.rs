//! A chain under the driver: calls go out through the codec, and everything about them is counted and kept.

use embedded_hal::spi::SpiDevice;
use stepchain::map::{BufferMode, Flag, Verb};
use stepchain::units::Value;
use stepchain::{AxisCommand, Codec, Command, Pending, Reply};

use super::cost::Cost;
use super::injected;
use super::preflight::{asked, codec, spread};
use super::seconds;
use crate::bench::{Axis, Bench, Problem, Setting, Step};
use crate::chain::{VirtualChain, VirtualSpi};
use crate::device::{Event, EventKind};

/// Something that is not as it should be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// The axis that it concerns; none for the chain as a whole.
    pub axis: Option<usize>,
    /// What.
    pub text: String,
    /// Indices of the injected faults that may be the cause.
    pub causes: Vec<usize>,
}

/// Flags that tell what is so, and not that something is wrong.
pub(crate) const STATES: &[Flag] =
    &[Flag::Busy, Flag::TargetReached, Flag::HomeSwitch, Flag::SwitchEvent, Flag::BridgeOff, Flag::PositiveDirection];

/// How often a motor is looked at for the report, in nanoseconds.
const SAMPLE_NS: u64 = 1_000_000;

/// The chain, its bus, and what has been seen so far.
#[derive(Debug)]
pub(super) struct Rig<'a> {
    pub(super) bench: &'a Bench,
    pub(super) chain: VirtualChain,
    spi: VirtualSpi,
    codec: Codec,
    start_ns: u64,
    /// The sum of what the calls so far had to cost.
    pub(super) least_bytes: u64,
    pub(super) findings: Vec<Finding>,
    /// By axis: the names of the faults that were seen, in the order in which they were.
    pub(super) faults: Vec<Vec<String>>,
    /// How many settings were read back.
    pub(super) read_back: usize,
    /// By the chain's number of a fault: its index in the bench.
    pub(super) injected: Vec<usize>,
}

/// What one call did.
#[derive(Debug)]
pub(super) struct Call {
    /// When its commands took effect, in nanoseconds of the timeline.
    pub(super) effect_ns: u64,
    /// What happened on the chain meanwhile; times are those of the chain.
    pub(super) events: Vec<Event>,
    /// What each device answered; `None` for a reply that cannot be believed.
    pub(super) replies: Vec<Option<Reply>>,
}

impl Call {
    /// What came back to a question, in words; lengths in full steps.
    pub(super) fn answer(&self, axis: &Axis, command: Command) -> Option<String> {
        let reply = self.replies.get(axis.device).copied().flatten()?;
        match command {
            Command::ReadParameter { .. } => Some(match reply.value? {
                Value::Position(position) => format!("{} steps", axis.steps(position.to_bits() as f64)),
                value => value.to_string(),
            }),
            Command::PeekStatus | Command::TakeStatus => {
                let status = reply.status?;
                let raised = status.raised().filter(|&(_, of_device)| of_device == axis.axis);
                let mut flags: Vec<_> = raised.map(|(flag, _)| flag.name()).collect();
                if flags.is_empty() {
                    flags.push("no flag raised");
                }
                let state = status.motion_state_of(axis.axis).map(|state| state.name());
                Some(state.into_iter().chain(flags).collect::<Vec<_>>().join(", "))
            }
            _ => None,
        }
    }
}

impl<'a> Rig<'a> {
    pub(super) fn new(bench: &'a Bench) -> Result<Self, Problem> {
        let chain = chain_of(bench)?;
        let mut rig = Self {
            bench,
            spi: chain.spi(),
            chain,
            codec: codec(bench)?,
            start_ns: 0,
            least_bytes: 0,
            findings: Vec::new(),
            faults: vec![Vec::new(); bench.axes.len()],
            read_back: 0,
            injected: Vec::new(),
        };
        rig.inject(true)?;
        Ok(rig)
    }

    /// Gives the chain those faults of the bench that begin with a frame, or those that begin on the timeline.
    fn inject(&mut self, with_frames: bool) -> Result<(), Problem> {
        let (script, indices) = injected::part(self.bench, with_frames, self.start_ns);
        self.injected.extend(indices);
        let fits = self.chain.inject(&script);
        fits.map_err(|error| Problem::of_file(&self.bench.file, error.to_string(), "faults that this chain can have"))
    }

    /// Notes something that is not as it should be.
    pub(super) fn find(&mut self, axis: Option<usize>, text: String) {
        let causes = injected::likely_causes(&injected::so_far(self), axis);
        self.findings.push(Finding { axis, text, causes });
    }

    pub(super) fn start_timeline(&mut self) -> Result<(), Problem> {
        self.start_ns = self.chain.now_ns();
        self.inject(false)
    }

    /// When the timeline started, in the chain's time.
    pub(super) const fn start_ns(&self) -> u64 {
        self.start_ns
    }

    /// Nanoseconds since the timeline started.
    pub(super) fn timeline_ns(&self) -> u64 {
        self.chain.now_ns().saturating_sub(self.start_ns)
    }

    /// Lets time pass until an instant of the timeline, if it is still to come.
    pub(super) fn advance_to(&self, timeline_ns: u64) {
        self.chain.advance_ns(timeline_ns.saturating_sub(self.timeline_ns()));
    }

    /// Sends one command to each device and reads what they answer.
    pub(super) fn call(&mut self, commands: &[AxisCommand]) -> Result<Call, Problem> {
        let cost = Cost::of(self.bench.layout, commands);
        self.least_bytes += cost.bytes(self.bench.layout, self.bench.devices);
        let mark = self.chain.event_count();
        let mut pending = vec![Pending::default(); commands.len()];
        let mut buffer = vec![0; self.codec.frame_bytes(commands.len())];
        let mut talk = self.codec.begin(commands, &mut pending, &mut buffer).map_err(|error| {
            Problem::of_file(&self.bench.file, error.to_string(), "commands that the map can carry")
        })?;
        let mut effect_ns = self.timeline_ns();
        let mut frames = 0;
        while let Some(frame) = talk.next_frame() {
            // A virtual bus has no way to fail.
            let Ok(()) = self.spi.transfer_in_place(frame);
            frames += 1;
            if frames == cost.request {
                effect_ns = self.chain.now_ns().saturating_sub(self.start_ns);
            }
            talk.came_back();
        }
        let replies: Vec<_> =
            (0..commands.len()).map(|device| talk.reply(device).unwrap_or(Ok(Reply::default()))).collect();
        let events = self.chain.events_since(mark);
        self.look_at_events(&events);
        let replies = replies.into_iter().enumerate().map(|(device, reply)| match reply {
            Ok(reply) => {
                self.look_at_status(device, &reply);
                Some(reply)
            }
            Err(error) => {
                self.find(self.first_axis(device), format!("device {device} at {} s: {error}", seconds(effect_ns)));
                None
            }
        });
        let replies = replies.collect();
        Ok(Call { effect_ns, events, replies })
    }

    /// Sends the same command to axis 0 of every device.
    pub(super) fn call_every_device(&mut self, command: Command) -> Result<Call, Problem> {
        self.call(&vec![command.on(0); self.bench.devices])
    }

    /// Sends the commands of a step.
    pub(super) fn step(&mut self, number: usize, step: &Step) -> Result<Call, Problem> {
        let call = self.call(&spread(self.bench, &asked(step)))?;
        for order in &step.orders {
            let refused = call.events.iter().find_map(|event| match &event.kind {
                EventKind::CommandRejected { axis, reason, .. } if self.is_of(event, *axis, order.axis) => Some(reason),
                _ => None,
            });
            if let Some(reason) = refused {
                let name = self.name(order.axis);
                let finding = format!("step {number}: `{name}` rejected \"{}\": {reason}", order.text);
                self.find(Some(order.axis), finding);
            }
        }
        Ok(call)
    }

    /// Writes all settings, as many devices at a time as have one left, and reads each back.
    pub(super) fn apply_settings(&mut self) -> Result<(), Problem> {
        for settings in rounds(self.bench) {
            let write = |setting: &&Setting| {
                let command = Command::write(setting.register.parameter, setting.value);
                (setting.axis, command, BufferMode::Aborting)
            };
            self.call(&spread(self.bench, &settings.iter().map(write).collect::<Vec<_>>()))?;
        }
        if self.bench.layout.form(Verb::ReadParameter).is_none() {
            return Ok(());
        }
        for settings in rounds(self.bench) {
            let read =
                |setting: &&Setting| (setting.axis, Command::read(setting.register.parameter), BufferMode::Aborting);
            let call = self.call(&spread(self.bench, &settings.iter().map(read).collect::<Vec<_>>()))?;
            for setting in settings {
                let device = self.bench.axes.get(setting.axis).map_or(0, |axis| axis.device);
                let value = call.replies.get(device).copied().flatten().and_then(|reply| reply.value);
                self.compare(setting, value);
            }
        }
        Ok(())
    }

    pub(super) fn compare(&mut self, setting: &Setting, value: Option<Value>) {
        self.read_back += 1;
        let register = setting.register;
        let wanted = register.code_of(setting.value);
        if value.map(|value| register.code_of(value)) == Some(wanted) {
            return;
        }
        let found = value.map_or("nothing".to_owned(), |value| value.to_string());
        let wanted =
            register.quantised(setting.value).map_or_else(|error| error.to_string(), |value| value.to_string());
        let ((line, column), name) = (setting.place, self.name(setting.axis));
        let text = format!(
            "`{name}`: {wanted} was written as {}, {found} was read back (set in line {line}, column {column})",
            register.name
        );
        self.find(Some(setting.axis), text);
    }

    /// What was seen while the devices started does not count.
    pub(super) fn forget_faults(&mut self) {
        self.faults.iter_mut().for_each(Vec::clear);
    }

    /// Whether an event on one of a device's axes concerns the axis of the bench with this index.
    pub(super) fn is_of(&self, event: &Event, of_device: u8, index: usize) -> bool {
        self.bench.axes.get(index).is_some_and(|axis| event.device == Some(axis.device) && of_device == axis.axis)
    }

    fn first_axis(&self, device: usize) -> Option<usize> {
        self.bench.axes.iter().position(|axis| axis.device == device)
    }

    fn name(&self, index: usize) -> &'a str {
        self.bench.axes.get(index).map_or("", |axis| &axis.name)
    }

    fn look_at_status(&mut self, device: usize, reply: &Reply) {
        for (flag, axis) in reply.status.iter().flat_map(|status| status.raised()) {
            if !STATES.contains(&flag) {
                self.raise(device, axis, flag);
            }
        }
    }

    /// Faults that a device may have no flag for.
    fn look_at_events(&mut self, events: &[Event]) {
        for event in events {
            let device = event.device.unwrap_or(0);
            match &event.kind {
                EventKind::CommandRejected { axis, .. } => self.raise(device, *axis, Flag::CommandRejected),
                EventKind::CommandUnknown { .. } => self.raise(device, 0, Flag::CommandUnknown),
                EventKind::CrcMismatch { .. } => self.raise(device, 0, Flag::CrcMismatch),
                EventKind::Reset => self.raise(device, 0, Flag::ResetOccurred),
                EventKind::Violation(violation) => {
                    let at_s = seconds(event.time_ns.saturating_sub(self.start_ns));
                    self.find(None, format!("on the bus at {at_s} s: {violation}"));
                }
                _ => {}
            }
        }
    }

    fn raise(&mut self, device: usize, of_device: u8, fault: Flag) {
        for (axis, faults) in self.bench.axes.iter().zip(&mut self.faults) {
            if axis.device == device && axis.axis == of_device && !faults.iter().any(|known| known == fault.name()) {
                faults.push(fault.name().to_owned());
            }
        }
    }
}

/// The chain of a bench with its motors' surroundings, just powered up.
pub(crate) fn chain_of(bench: &Bench) -> Result<VirtualChain, Problem> {
    let chain = VirtualChain::new(bench.layout, bench.devices).map_err(|flaw| {
        Problem::of_file(&bench.file, format!("a map that cannot work: {flaw}"), "a map without flaw")
    })?;
    chain.set_clock_hz(bench.spi_clock_hz);
    for axis in &bench.axes {
        let (device, of_device, machine) = (axis.device, axis.axis.into(), axis.machine);
        chain.set_switch(device, of_device, machine.home_switch);
        for at_steps in [machine.least_steps, machine.greatest_steps].into_iter().flatten() {
            chain.set_end_stop(device, of_device, at_steps);
        }
        if let Some(motor) = &axis.motor {
            chain.attach_motor(device, of_device, motor);
            chain.record_motor(device, of_device, SAMPLE_NS);
        }
    }
    Ok(chain)
}

/// The settings in rounds of at most one for each device.
fn rounds(bench: &Bench) -> Vec<Vec<&Setting>> {
    let mut rounds: Vec<Vec<&Setting>> = Vec::new();
    let mut used = vec![0; bench.devices];
    for setting in &bench.settings {
        let Some(next) = bench.axes.get(setting.axis).and_then(|axis| used.get_mut(axis.device)) else {
            continue;
        };
        match rounds.get_mut(*next) {
            Some(round) => round.push(setting),
            None => rounds.push(vec![setting]),
        }
        *next += 1;
    }
    rounds
}
