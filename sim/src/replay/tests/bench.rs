//! A chain that is spoken to while its bus is recorded.

use embedded_hal::spi::SpiDevice;
use stepchain::map::{BridgeState, Layout, Parameter, StopRamp, Way};
use stepchain::units::{Distance, Position, Velocity};
use stepchain::{AxisCommand, Codec, Command, Pending, Reply};

use crate::capture::Frame;
use crate::chain::VirtualChain;
use crate::decode::{Answer, Dictionary};
use crate::dice::Dice;
use crate::replay::{Divergence, Options, Replay};
use crate::wire::bits_of;

pub(super) struct Bench {
    pub(super) chain: VirtualChain,
    codec: Codec,
    pub(super) devices: usize,
    pub(super) layout: &'static Layout,
    pub(super) frames: Vec<Frame>,
}

/// All is known and everything counts.
pub(super) fn strict() -> Options {
    Options { from_power_up: true, strict: true, time_tolerance_ns: Some(0), ..Options::default() }
}

impl Bench {
    pub(super) fn new(layout: &'static Layout, devices: usize) -> Self {
        let devices = (devices..).find(|&devices| layout.can_frame(devices)).unwrap();
        let chain = VirtualChain::new(layout, devices).unwrap();
        Self { chain, codec: Codec::new(layout).unwrap(), devices, layout, frames: Vec::new() }
    }

    /// Sends a command to each device; `None` if the map has no such command.
    pub(super) fn try_send(&mut self, commands: &[AxisCommand]) -> Option<Vec<Option<Reply>>> {
        let mut pending = vec![Pending::default(); commands.len()];
        let mut buffer = vec![0; self.codec.frame_bytes(commands.len())];
        let mut talk = self.codec.begin(commands, &mut pending, &mut buffer).ok()?;
        while let Some(bytes) = talk.next_frame() {
            transfer(&self.chain, &mut self.frames, bytes);
            talk.came_back();
        }
        Some((0..commands.len()).map(|device| talk.reply(device).and_then(Result::ok)).collect())
    }

    /// Sends a command to one device and filler to the others.
    #[track_caller]
    pub(super) fn to(&mut self, device: usize, command: Command) -> Option<Reply> {
        let mut commands = vec![AxisCommand::default(); self.devices];
        commands[device] = command.on(0);
        self.try_send(&commands).expect("the map has this command").swap_remove(device)
    }

    /// A frame of filler.
    pub(super) fn idle(&mut self) {
        let unit = Dictionary::new(self.layout).reply(self.layout.wire.filler, &Answer::default())[0];
        let bytes = unit.to_be_bytes();
        let unit = &bytes[8 - usize::from(self.layout.wire.unit_bits) / 8..];
        transfer(&self.chain, &mut self.frames, &mut unit.repeat(self.devices));
    }

    pub(super) fn wait_ms(&self, ms: u64) {
        self.chain.advance_ns(ms * 1_000_000);
    }

    /// Something to each device, drawn by lot, and a pause.
    pub(super) fn chatter(&mut self, dice: &mut Dice) {
        let commands: Vec<_> = (0..self.devices).map(|_| self.anything(dice)).collect();
        if self.try_send(&commands).is_none() {
            self.try_send(&vec![Command::PeekStatus.on(0); self.devices]).unwrap();
        }
        match dice.below(3) {
            0 => {}
            1 => self.chain.advance_ns(dice.below(2_000_000)),
            _ => self.chain.advance_ns(dice.below(400_000_000)),
        }
    }

    fn anything(&self, dice: &mut Dice) -> AxisCommand {
        let axis = dice.below(self.layout.axes.into()) as u8;
        let sign = if dice.chance(2) { -1 } else { 1 };
        let velocity = Velocity::from_steps_per_s(sign * dice.below(400) as i32).unwrap();
        let register = &self.layout.registers[dice.below(self.layout.registers.len() as u64) as usize];
        let command = match dice.below(12) {
            0 | 1 => Command::MoveVelocity { velocity },
            2 => Command::MoveRelative { distance: Distance::from_microsteps(sign * dice.below(3000) as i32) },
            3 => Command::MoveAbsolute {
                target: Position::from_microsteps(sign * dice.below(3000) as i32),
                way: Way::Shortest,
            },
            4 => {
                let ramp = dice.pick(&[StopRamp::Profile, StopRamp::Quick, StopRamp::None]);
                let bridge = dice.pick(&[BridgeState::Driven, BridgeState::Shorted, BridgeState::HighImpedance]);
                Command::Stop { ramp, bridge }
            }
            5 => Command::HomeOnCurrentPosition,
            6 | 7 => Command::PeekStatus,
            8 => Command::TakeStatus,
            9 => {
                let code = dice.bits(register.coding.width) as u32;
                match register.value_of(code) {
                    Ok(value) if Dictionary::is_writable(register) => {
                        return Command::WriteParameter { parameter: register.parameter, value }.on(register.axis);
                    }
                    _ => Command::PeekStatus,
                }
            }
            _ => return Command::ReadParameter { parameter: register.parameter }.on(register.axis),
        };
        command.on(axis)
    }

    /// What a replay of the frames finds.
    #[track_caller]
    pub(super) fn replayed(&self, options: &Options) -> Vec<Divergence> {
        replayed(self.layout, self.devices, &self.frames, options)
    }
}

pub(super) fn transfer(chain: &VirtualChain, frames: &mut Vec<Frame>, bytes: &mut [u8]) {
    let now_ns = || i64::try_from(chain.now_ns()).unwrap();
    let (start_ns, mosi) = (now_ns(), Some(bits_of(bytes)));
    let Ok(()) = chain.spi().transfer_in_place(bytes);
    let number = frames.len() as u64;
    frames.push(Frame { number, start_ns, end_ns: now_ns(), mosi, miso: Some(bits_of(bytes)), complete: true });
}

pub(super) fn replayed(
    layout: &'static Layout,
    devices: usize,
    frames: &[Frame],
    options: &Options,
) -> Vec<Divergence> {
    let mut replay = Replay::new(layout, devices, options).unwrap();
    let mut found = Vec::new();
    for frame in frames {
        replay.take(frame.clone());
        found.extend(std::iter::from_fn(|| replay.pop()));
    }
    replay.end();
    found.extend(std::iter::from_fn(|| replay.pop()));
    assert!(replay.counts().answers > 0, "nothing was compared");
    assert_eq!(replay.counts().divergences, found.len() as u64);
    found
}

/// The list, for a message.
pub(super) fn told(divergences: &[Divergence]) -> String {
    divergences.iter().map(|divergence| format!("{divergence}\n")).collect()
}

pub(super) fn velocity(steps_per_s: i32) -> Command {
    Command::MoveVelocity { velocity: Velocity::from_steps_per_s(steps_per_s).unwrap() }
}

pub(super) fn read(parameter: Parameter) -> Command {
    Command::ReadParameter { parameter }
}
