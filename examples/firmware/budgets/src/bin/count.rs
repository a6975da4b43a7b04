//! Counts instructions: the driver and the routines by hand, side by side, each for a chain of four.
//!
//! Runs in the emulator, where an instruction is a nanosecond; the timer advances once in 40 of them. MISO is wired to MOSI
//! there, and the filler that comes back so is a status with a correct check on both maps.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::mem::size_of;

use cortex_m::Peripherals;
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use stepchain::map::{Parameter, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain::{Chain, Command};
use stepchain_budgets::application::DEVICES;
use stepchain_budgets::by_hand::{fixed_word, latched};
use stepchain_budgets::{Bus, constant, exchange, exchange_each, send, statuses, statuses_each, velocities, words};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

const REPETITIONS: u32 = 400;
const INSTRUCTIONS_PER_TICK: u32 = 40;

/// Instructions of one call.
#[inline(never)]
fn count(name: &str, call: &mut dyn FnMut() -> bool) {
    let mut is_fine = true;
    let began = SYST::get_current();
    for _ in 0..REPETITIONS {
        is_fine &= call();
    }
    let ticks = began.wrapping_sub(SYST::get_current()) & 0xFF_FFFF;
    if !is_fine {
        hprintln!("{}: refused", name);
        debug::exit(debug::EXIT_FAILURE);
    }
    hprintln!("{} {}", name, ticks * INSTRUCTIONS_PER_TICK / REPETITIONS);
}

fn by_driver<M: RegisterMap>(name: [&str; 3]) {
    let mut chain = Chain::<M, _, DEVICES>::new(Bus);
    let [moving, writing, peeking] = name;
    count(moving, &mut || exchange_each(&mut chain, |velocity| Command::MoveVelocity { velocity }));
    count(writing, &mut || exchange_each(&mut chain, |velocity| Command::write(Parameter::ProfileVelocity, velocity)));
    count(peeking, &mut || statuses_each(&mut chain));
}

fn by_arrays<M: RegisterMap>(name: [&str; 3]) {
    let mut chain = Chain::<M, _, DEVICES>::new(Bus);
    let [moving, writing, peeking] = name;
    count(moving, &mut || exchange(&mut chain, |velocity| Command::MoveVelocity { velocity }));
    count(writing, &mut || exchange(&mut chain, |velocity| Command::write(Parameter::ProfileVelocity, velocity)));
    count(peeking, &mut || statuses(&mut chain));
}

#[entry]
fn main() -> ! {
    let Some(Peripherals { SYST: mut timer, .. }) = Peripherals::take() else { loop {} };
    timer.set_clock_source(SystClkSource::Core);
    timer.set_reload(0xFF_FFFF);
    timer.clear_current();
    timer.enable_counter();

    let mut chain = Chain::<Latched, _, DEVICES>::new(Bus);
    count("latched.constant-move.driver", &mut || chain.exchange_constant(&constant::LATCHED_MOVE).is_ok());
    count("latched.constant-write.driver", &mut || chain.exchange_constant(&constant::LATCHED_WRITE).is_ok());
    count("latched.constant-peek.driver", &mut || words(chain.look_constant(&constant::LATCHED_PEEK)));
    count("latched.constant-move.hand", &mut || send(&constant::BY_HAND_MOVE)[0] != 0xFF);
    count("latched.constant-write.hand", &mut || send(&constant::BY_HAND_WRITE)[0] != 0xFF);
    count("latched.constant-peek.hand", &mut || black_box(latched::statuses(&send(&latched::PEEK)))[0] == 0x7E7E);
    let mut chain = Chain::<FixedWord, _, DEVICES>::new(Bus);
    count("fixed-word.constant-move.driver", &mut || chain.exchange_constant(&constant::FIXED_WORD_MOVE).is_ok());
    count("fixed-word.constant-write.driver", &mut || chain.exchange_constant(&constant::FIXED_WORD_WRITE).is_ok());
    count("fixed-word.constant-peek.driver", &mut || words(chain.look_constant(&constant::FIXED_WORD_PEEK)));
    count("fixed-word.constant-move.hand", &mut || send(&constant::BY_HAND_FIXED_WORD_MOVE)[0] != 0xFF);
    count("fixed-word.constant-write.hand", &mut || send(&constant::BY_HAND_FIXED_WORD_WRITE)[0] != 0xFF);
    count("fixed-word.constant-peek.hand", &mut || black_box(fixed_word::statuses(&send(&fixed_word::PEEK))).is_ok());

    by_driver::<Latched>(["latched.move.driver", "latched.write.driver", "latched.peek.driver"]);
    by_arrays::<Latched>(["latched.move.arrays", "latched.write.arrays", "latched.peek.arrays"]);
    count("latched.move.hand", &mut || latched::move_velocity(&velocities()).map(|frames| send(&frames)).is_ok());
    count("latched.write.hand", &mut || {
        latched::write_profile_velocity(&velocities()).map(|frames| send(&frames)).is_ok()
    });
    count("latched.peek.hand", &mut || black_box(latched::statuses(&send(&latched::PEEK)))[0] == 0x7E7E);

    by_driver::<FixedWord>(["fixed-word.move.driver", "fixed-word.write.driver", "fixed-word.peek.driver"]);
    by_arrays::<FixedWord>(["fixed-word.move.arrays", "fixed-word.write.arrays", "fixed-word.peek.arrays"]);
    count("fixed-word.move.hand", &mut || fixed_word::move_velocity(&velocities()).map(|frames| send(&frames)).is_ok());
    count("fixed-word.write.hand", &mut || {
        fixed_word::write_profile_velocity(&velocities()).map(|frames| send(&frames)).is_ok()
    });
    count("fixed-word.peek.hand", &mut || black_box(fixed_word::statuses(&send(&fixed_word::PEEK))).is_ok());

    hprintln!("latched.chain-bytes {}", size_of::<Chain<Latched, Bus, DEVICES>>());
    hprintln!("fixed-word.chain-bytes {}", size_of::<Chain<FixedWord, Bus, DEVICES>>());
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}
