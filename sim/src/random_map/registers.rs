//! Registers drawn by lot: which there are, where they stand, who may write them.

use stepchain::map::{Access, Coding, CurveSegment, Drive, Encoding, MotionState, Parameter, Register};
use stepchain::units::Unit;

use super::{Home, Style, coding};
use crate::dice::Dice;

/// The registers that commands made of writes write: theirs alone, whole, always writable.
pub(super) const MOTION: Parameter = Parameter::Custom(0);
pub(super) const STOP: Parameter = Parameter::Custom(1);
pub(super) const TURN: Parameter = Parameter::Custom(2);
pub(super) const DISTANCE: Parameter = Parameter::Custom(3);
pub(super) const RAMP: Parameter = Parameter::Custom(4);
const FIRST_FREE: u8 = 5;

/// The registers of a map, and the microstep resolutions that they speak of.
pub(super) fn draw(dice: &mut Dice, style: &Style) -> (Vec<Register>, &'static [u16]) {
    let (resolution, resolutions) = coding::resolutions(dice);
    let mut written = written_by_commands(dice, style);
    let mut others = Vec::new();
    for parameter in Parameter::PLAIN {
        let is_there = match *parameter {
            Parameter::TargetPosition | Parameter::TargetVelocity if style.motion_by_writes => false,
            Parameter::PositionDemandValue if style.home == Home::Counter => false,
            Parameter::ProfileVelocity | Parameter::ProfileAcceleration | Parameter::ProfileDeceleration => true,
            _ => dice.chance(2),
        };
        // A second axis may have none of what a device can have once.
        let axes = if once(*parameter) && dice.chance(2) { 1 } else { style.axes };
        for axis in (0..axes).filter(|_| is_there) {
            let resolution = (*parameter == Parameter::MicrostepResolution).then_some(resolution);
            others.push(plain(dice, style, *parameter, resolution).axis(axis));
        }
    }
    others.extend(curve(dice, style));
    for number in 0..dice.below(4) as u8 {
        let unit = dice.pick(Unit::ALL);
        let register = Register::new(Parameter::Custom(FIRST_FREE + number), 0, 1);
        let register = coded(dice, style, register.unit(unit), false);
        others.push(register.named(["own", "special", "extra"][usize::from(number)]));
    }
    dice.shuffle(&mut others);
    let mut registers = placed(dice, style, &mut others);
    // After the others, so that their addresses are still known to be free.
    let taken: Vec<u16> = registers.iter().map(|register| register.address).collect();
    let mut free = (0..).filter(|address| !taken.contains(address)).skip(dice.below(3) as usize);
    for register in &mut written {
        register.address = free.next().unwrap_or(u16::MAX);
    }
    registers.extend(written);
    dice.shuffle(&mut registers);
    (registers, resolutions)
}

fn written_by_commands(dice: &mut Dice, style: &Style) -> Vec<Register> {
    let (signed_velocity, signed_distance) = (dice.chance(2), dice.chance(2));
    let position = Coding::signed(style.counter_bits, Encoding::Raw);
    let velocity = coding::draw(dice, Unit::StepsPerSecond, style.code_bits, signed_velocity);
    let distance = coding::draw(dice, Unit::Microsteps, style.counter_bits, signed_distance);
    let kinds = Coding::new(dice.between(5, 8) as u8, Encoding::Raw);
    let mut target_velocity = with(Register::new(Parameter::TargetVelocity, 0, 1), velocity);
    target_velocity.reset = coding::reset(dice, &velocity, Unit::StepsPerSecond);
    let kind = |parameter, name| with(Register::new(parameter, 0, 1), kinds).named(name);
    let mut registers = Vec::new();
    if style.motion_by_writes {
        registers.extend([
            with(Register::new(Parameter::TargetPosition, 0, 1), position),
            target_velocity,
            with(Register::new(DISTANCE, 0, 1), distance).unit(Unit::Microsteps).named("distance"),
            kind(TURN, "direction"),
        ]);
    }
    if style.motion_by_writes || style.home == Home::Kind {
        registers.push(kind(MOTION, "motion kind"));
    }
    if style.stops_by_writes {
        registers.extend([kind(STOP, "stop kind"), kind(RAMP, "stop ramp")]);
    }
    if style.home == Home::Counter {
        registers.push(with(Register::new(Parameter::PositionDemandValue, 0, 1), position));
    }
    let of_axis = |axis| registers.iter().map(move |register| register.axis(axis));
    (0..style.axes).flat_map(of_axis).collect()
}

/// What a device with several axes may have once.
fn once(parameter: Parameter) -> bool {
    matches!(
        parameter,
        Parameter::SupplyVoltage | Parameter::DeviceTemperature | Parameter::SupplyCompensation | Parameter::StallLimit
    )
}

fn plain(dice: &mut Dice, style: &Style, parameter: Parameter, resolution: Option<Coding>) -> Register {
    let mut register = Register::new(parameter, 0, 1);
    if parameter.is_amplitude() && style.drive == Drive::Current {
        register = register.unit(Unit::Amperes);
    }
    let measured = matches!(
        parameter,
        Parameter::PositionActualValue
            | Parameter::ProbedPosition
            | Parameter::VelocityDemandValue
            | Parameter::ElectricalAngle
            | Parameter::SupplyVoltage
            | Parameter::DeviceTemperature
    );
    let access = [Access::Always, Access::Always, Access::AtStandstill, Access::BridgeOff];
    register.access = if measured { Access::ReadOnly } else { dice.pick(&access) };
    if dice.chance(6) {
        register.name = "named otherwise";
    }
    match (parameter, resolution) {
        (_, Some(coding)) => {
            register.coding = coding;
            register.reset = coding::reset(dice, &coding, register.unit);
            register
        }
        (
            Parameter::TargetPosition
            | Parameter::PositionDemandValue
            | Parameter::PositionActualValue
            | Parameter::ProbedPosition,
            _,
        ) => {
            register.coding = Coding::signed(style.counter_bits, Encoding::Raw);
            register
        }
        (Parameter::TargetVelocity | Parameter::VelocityDemandValue | Parameter::DeviceTemperature, _) => {
            coded(dice, style, register, true)
        }
        _ => coded(dice, style, register, false),
    }
}

fn coded(dice: &mut Dice, style: &Style, mut register: Register, signed: bool) -> Register {
    let width = dice.between(4, u64::from(style.code_bits)) as u8;
    register.coding = coding::draw(dice, register.unit, width, signed);
    register.reset = coding::reset(dice, &register.coding, register.unit);
    register
}

/// A back-EMF curve: none, one for all motion states, or one for each; with one axis or for all of them.
fn curve(dice: &mut Dice, style: &Style) -> Vec<Register> {
    let states: Vec<Option<MotionState>> = match dice.below(3) {
        0 => return Vec::new(),
        1 => vec![None],
        _ => MotionState::ALL.map(Some).to_vec(),
    };
    let segments = if states.len() > 1 { dice.between(1, 2) } else { dice.between(1, 8) } as u8;
    let axes = if dice.chance(2) { 1 } else { style.axes };
    let from_zero = dice.chance(2);
    let mut registers = Vec::new();
    for axis in 0..axes {
        for state in &states {
            for index in 0..segments {
                let segment = CurveSegment { state: *state, index };
                let slope = Register::new(Parameter::BackEmfSlope(segment), 0, 1).axis(axis);
                registers.push(coded(dice, style, slope, false));
                if index > 0 || from_zero {
                    let from = Register::new(Parameter::BackEmfFrom(segment), 0, 1).axis(axis);
                    registers.push(coded(dice, style, from, false));
                }
            }
        }
    }
    registers
}

/// Gives every register its address and lowest bit; some share an address.
fn placed(dice: &mut Dice, style: &Style, registers: &mut Vec<Register>) -> Vec<Register> {
    let mut placed: Vec<Register> = Vec::new();
    let mut address = dice.below(4) as u16;
    let mut lsb = 0;
    let sharing = dice.between(2, 6);
    for mut register in registers.drain(..) {
        let gap = if dice.chance(4) { dice.below(4) as u8 } else { 0 };
        let shares = lsb > 0 && dice.chance(sharing) && lsb + gap + register.coding.width <= style.code_bits;
        if !shares {
            address += 1 + dice.chance(5) as u16;
            lsb = 0;
        }
        let gap = if lsb + gap + register.coding.width <= style.code_bits { gap } else { 0 };
        register.address = address;
        register.lsb = lsb + gap;
        placed.push(register);
        lsb += gap + register.coding.width;
    }
    placed
}

fn with(mut register: Register, coding: Coding) -> Register {
    register.coding = coding;
    register
}
