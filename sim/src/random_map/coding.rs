//! Codings drawn by lot, whose values suit their unit.

use stepchain::map::{Coding, Encoding, Sign, TableEntry};
use stepchain::units::Unit;

use crate::dice::Dice;

/// A coding of at most `width` bits for a unit; with a sign if asked for.
pub(super) fn draw(dice: &mut Dice, unit: Unit, width: u8, signed: bool) -> Coding {
    let sign = if signed { dice.pick(&[Sign::TwosComplement, Sign::SignMagnitude]) } else { Sign::Unsigned };
    // With 32 bits behind the point of an amplitude slope, finer codes would overflow the driver's 64-bit arithmetic.
    let width = if matches!(unit, Unit::SharePerStepPerSecond) { width.min(18) } else { width };
    let coding = Coding::new(width, Encoding::Raw).sign(sign);
    if matches!(unit, Unit::Microsteps) {
        return microsteps(dice, coding);
    }
    if matches!(unit, Unit::Code) {
        return limited(dice, coding);
    }
    let (_, greatest_code) = coding.code_range();
    let (numerator, denominator) = greatest_value(dice, unit);
    // (numerator / denominator) / (greatest code + 1), as far as 32 bits hold it.
    let denominator_of_code = u64::from(denominator).saturating_mul(greatest_code as u64 + 1);
    let denominator_of_code = u32::try_from(denominator_of_code).unwrap_or(u32::MAX);
    match dice.below(if signed { 4 } else { 8 }) {
        0 => limited(dice, with(coding, Encoding::linear(numerator, denominator_of_code))),
        1 => {
            let reach = (u64::from(numerator) * greatest_code as u64 / 4).min(i32::MAX as u64);
            let offset = dice.between(0, 2 * reach) as i64 - reach as i64;
            let offset = offset.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32;
            // Where a code is worth just one bit of the value, an odd offset would make every value a tie.
            let offset = if numerator.is_power_of_two() { offset - offset % numerator as i32 } else { offset };
            with(coding, Encoding::linear_from(numerator, denominator_of_code, offset))
        }
        2 => with(coding, Encoding::Reciprocal { numerator, denominator, zero: dice.chance(2) }),
        3 if width >= 4 => mantissa_exponent(dice, coding, numerator, denominator),
        4 => power_of_two(dice, coding, numerator, denominator),
        5 => table(dice, coding, numerator, denominator),
        _ => with(coding, Encoding::linear(numerator, denominator_of_code)),
    }
}

/// The greatest value that a device of this map knows of a unit, as a fraction.
fn greatest_value(dice: &mut Dice, unit: Unit) -> (u32, u32) {
    match unit {
        Unit::StepsPerSecond => (dice.between(500, 50_000) as u32, 1),
        Unit::StepsPerSecondSquared => (dice.between(5_000, 2_000_000) as u32, 1),
        Unit::ShareOfSupply => (1, 1),
        Unit::SharePerStepPerSecond => (1, dice.between(200, 5_000) as u32),
        Unit::Amperes => (dice.between(1, 20) as u32, 1),
        Unit::Volts | Unit::DegreesCelsius => (dice.between(30, 200) as u32, 1),
        _ => (dice.between(2, 8) as u32, 1),
    }
}

/// Places and distances are counts nearly always.
fn microsteps(dice: &mut Dice, coding: Coding) -> Coding {
    if dice.chance(8) { with(coding, Encoding::linear(dice.between(2, 5) as u32, 1)) } else { coding }
}

fn mantissa_exponent(dice: &mut Dice, coding: Coding, numerator: u32, denominator: u32) -> Coding {
    // At most four bits of exponent: 2¹⁵ times the mantissa.
    let least = coding.width.saturating_sub(4).max(1);
    let mantissa_bits = dice.between(u64::from(least), u64::from(coding.width) - 2) as u8;
    let (_, greatest_code) = coding.code_range();
    let greatest = ((1u64 << mantissa_bits) - 1) << (greatest_code as u64 >> mantissa_bits).min(20);
    let denominator = u64::from(denominator).saturating_mul(greatest + 1);
    let denominator = u32::try_from(denominator).unwrap_or(u32::MAX);
    with(coding, Encoding::mantissa_exponent(mantissa_bits, numerator, denominator))
}

fn power_of_two(dice: &mut Dice, coding: Coding, numerator: u32, denominator: u32) -> Coding {
    let (_, greatest_code) = coding.code_range();
    let greatest_code = dice.between(1, 12.min(greatest_code as u64)) as u32;
    let falling = dice.chance(2);
    let denominator = if falling { denominator } else { denominator << greatest_code };
    with(coding, Encoding::PowerOfTwo { numerator, denominator, falling }).up_to(greatest_code)
}

fn table(dice: &mut Dice, coding: Coding, numerator: u32, denominator: u32) -> Coding {
    let width = coding.width.min(6);
    let count = dice.between(1, 8.min(1 << width)) as u32;
    let codes = dice.distinct(count as usize, width);
    let entries = (1..=count).zip(codes).map(|(step, code)| {
        TableEntry::ratio(code as u32, numerator.saturating_mul(step), denominator.saturating_mul(count))
    });
    with(coding, Encoding::Table(entries.collect::<Vec<_>>().leak()))
}

/// Now and then not every code is allowed.
fn limited(dice: &mut Dice, coding: Coding) -> Coding {
    let (_, greatest_code) = coding.code_range();
    if dice.chance(5) { coding.up_to(dice.between(1, greatest_code as u64) as u32) } else { coding }
}

fn with(mut coding: Coding, encoding: Encoding) -> Coding {
    coding.encoding = encoding;
    coding
}

/// A code that means something in the unit, for the time after power-up.
pub(super) fn reset(dice: &mut Dice, coding: &Coding, unit: Unit) -> u32 {
    let listed = match coding.encoding {
        Encoding::Table(entries) => entries.iter().map(|entry| entry.code).collect(),
        _ => Vec::new(),
    };
    let drawn: Vec<u32> = (0..32).map(|_| dice.bits(coding.width) as u32).collect();
    let any = drawn.into_iter().chain(listed).chain(0..64).find(|code| coding.value_of(*code, unit).is_ok());
    any.unwrap_or(0)
}

/// The microstep resolutions of a device, and the coding of a register that carries them.
pub(super) fn resolutions(dice: &mut Dice) -> (Coding, &'static [u16]) {
    let greatest = dice.between(0, 8) as u32;
    let mut list: Vec<u16> = (0..=greatest).map(|power| 1 << power).collect();
    dice.shuffle(&mut list);
    let width = dice.between(4, 6) as u8;
    let coding = match dice.below(3) {
        0 => Coding::new(width, Encoding::power_of_two(1)).up_to(greatest),
        1 => Coding::new(width, Encoding::falling_power_of_two(1 << greatest)).up_to(greatest),
        _ => {
            let codes = dice.distinct(list.len(), width);
            let entries = codes.iter().zip(&list);
            let entries = entries.map(|(code, value)| TableEntry::new(*code as u32, u32::from(*value)));
            Coding::new(width, Encoding::Table(entries.collect::<Vec<_>>().leak()))
        }
    };
    (coding, list.leak())
}
