//! Commands whose map and values are known when the image is built, both ways.

use stepchain::chain::{Constant, ConstantLook};
use stepchain::map::Parameter;
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Value, Velocity};
use stepchain::{AxisCommand, Command};

use crate::Aligned;
use crate::application::DEVICES;
use crate::by_hand::{Refused, fixed_word, latched};

/// The velocities, in 4096ths of a step per second.
const BITS: [i32; DEVICES] = [409_600, 1_234_567, 4_096, 2_000_000];

const fn velocity(bits: i32) -> Velocity {
    match Velocity::from_bits(bits as i64) {
        Ok(velocity) => velocity,
        Err(_) => panic!("beyond the type"),
    }
}

const fn moving(bits: i32) -> AxisCommand {
    Command::MoveVelocity { velocity: velocity(bits) }.on(0)
}

const fn writing(bits: i32) -> AxisCommand {
    Command::WriteParameter { parameter: Parameter::ProfileVelocity, value: Value::Velocity(velocity(bits)) }.on(0)
}

const MOVE: [AxisCommand; DEVICES] = [moving(BITS[0]), moving(BITS[1]), moving(BITS[2]), moving(BITS[3])];
const WRITE: [AxisCommand; DEVICES] = [writing(BITS[0]), writing(BITS[1]), writing(BITS[2]), writing(BITS[3])];

pub static LATCHED_MOVE: Constant<Latched, DEVICES, 8, 2> = Constant::new(MOVE);
pub static LATCHED_WRITE: Constant<Latched, DEVICES, 8, 3> = Constant::new(WRITE);
pub static LATCHED_PEEK: ConstantLook<Latched, DEVICES, 8, 2> = ConstantLook::new();
pub static FIXED_WORD_MOVE: Constant<FixedWord, DEVICES, 24, 2> = Constant::new(MOVE);
pub static FIXED_WORD_WRITE: Constant<FixedWord, DEVICES, 24, 1> = Constant::new(WRITE);
pub static FIXED_WORD_PEEK: ConstantLook<FixedWord, DEVICES, 24, 2> = ConstantLook::new();

const fn made<const B: usize, const F: usize>(frames: Result<Aligned<[[u8; B]; F]>, Refused>) -> Aligned<[[u8; B]; F]> {
    match frames {
        Ok(frames) => frames,
        Err(_) => panic!("beyond the range"),
    }
}

pub static BY_HAND_MOVE: Aligned<[latched::Frame; 2]> = made(latched::move_velocity(&BITS));
pub static BY_HAND_WRITE: Aligned<[latched::Frame; 3]> = made(latched::write_profile_velocity(&BITS));
pub static BY_HAND_FIXED_WORD_MOVE: Aligned<[fixed_word::Frame; 2]> = made(fixed_word::move_velocity(&BITS));
pub static BY_HAND_FIXED_WORD_WRITE: Aligned<[fixed_word::Frame; 1]> = made(fixed_word::write_profile_velocity(&BITS));

// Both ways say the same, or what they cost could not be compared.
const fn same<const B: usize, const F: usize>(a: &[[u8; B]; F], b: &[[u8; B]; F]) -> bool {
    let mut at = 0;
    while at < B * F {
        if a[at / B][at % B] != b[at / B][at % B] {
            return false;
        }
        at += 1;
    }
    true
}

const _: () = assert!(same(LATCHED_MOVE.frames(), &BY_HAND_MOVE.0));
const _: () = assert!(same(LATCHED_WRITE.frames(), &BY_HAND_WRITE.0));
const _: () = assert!(same(LATCHED_PEEK.frames(), &latched::PEEK.0));
const _: () = assert!(same(FIXED_WORD_MOVE.frames(), &BY_HAND_FIXED_WORD_MOVE.0));
const _: () = assert!(same(FIXED_WORD_WRITE.frames(), &BY_HAND_FIXED_WORD_WRITE.0));
const _: () = assert!(same(FIXED_WORD_PEEK.frames(), &fixed_word::PEEK.0));
