//! The same bench and the same seed give the same bytes: twice in a row, and beside others on four threads.

use std::fmt::Write;
use std::path::Path;

use embedded_hal::spi::SpiDevice;
use stepchain::map::{Flag, Layout, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::device::Switch;
use stepchain_sim::report::{motion_csv, page};
use stepchain_sim::{bench, conformance, random_map, run};
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

/// Log, report and motion of a bench of the examples, one behind the other.
fn bench_files(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples").join(name);
    let bench = bench::load(&path).unwrap();
    let outcome = run::run(&bench).unwrap();
    let report = run::report(&bench, &outcome);
    assert!(!outcome.log.is_empty() && !report.tracks.is_empty());
    [outcome.log, page(&report).unwrap(), motion_csv(&report).unwrap()].join("\n")
}

/// SplitMix64 (from memory, Steele, Lea and Flood 2014): enough to draw traffic by.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, count: u64) -> u64 {
        self.next() % count
    }
}

/// What any bytes, cut into frames of any length, with pauses, conditions and resets between, do to a chain: all that came
/// back, the log, and where every axis is.
fn traffic(layout: &'static Layout, seed: u64) -> String {
    let mut dice = Dice(seed);
    let devices = (1 + dice.below(3) as usize..).find(|&devices| layout.can_frame(devices)).unwrap();
    let chain = VirtualChain::new(layout, devices).unwrap();
    let mut spi = chain.spi();
    let mut told = String::new();
    for axis in 0..usize::from(layout.axes) {
        chain.set_switch(0, axis, Switch::ClosedBetween { from_steps: 1.25, to_steps: 3.0 });
        chain.set_end_stop(0, axis, -4.5);
    }
    for _ in 0..200 {
        let length = match dice.below(4) {
            0 => 1 + dice.below(16) as usize,
            _ => layout.frame_bytes(devices),
        };
        let mut frame: Vec<u8> = (0..length).map(|_| dice.next() as u8).collect();
        spi.transfer_in_place(&mut frame).unwrap();
        writeln!(told, "{frame:02x?}").unwrap();
        let (device, axis) = (dice.below(devices as u64) as usize, dice.below(u64::from(layout.axes)) as usize);
        match dice.below(8) {
            0 => chain.reset_node(device),
            1 => chain.set_condition(device, axis, Flag::Undervoltage, dice.below(3) == 0),
            2 => chain.pulse(device, axis, dice.below(100)),
            _ => chain.advance_ns(dice.below(50_000_000)),
        }
    }
    told += &chain.log_text();
    for device in 0..devices {
        writeln!(told, "{:?} {:#x}", chain.registers(device), chain.status(device)).unwrap();
        for axis in 0..usize::from(layout.axes) {
            writeln!(told, "{:?}", chain.trajectory(device, axis)).unwrap();
        }
    }
    told
}

const OURS: [&Layout; 5] = [&Latched::LAYOUT, &FixedWord::LAYOUT, &Mirrored::LAYOUT, &Prefixed::LAYOUT, &Twin::LAYOUT];

/// Everything that is to be the same, by number.
fn job(number: usize) -> String {
    match number {
        0 => bench_files("label-winder.toml"),
        1 => bench_files("seedbed.toml"),
        // Faults by script, with chance in them.
        2 => bench_files("bad-day.toml"),
        3 => conformance::check(&Latched::LAYOUT).to_string(),
        number if number < 9 => traffic(OURS[number - 4], number as u64),
        number => traffic(random_map::layout(number as u64), number as u64),
    }
}

const JOBS: usize = 24;

#[test]
fn every_run_gives_the_same_bytes_twice_and_on_four_threads_at_once() {
    let alone: Vec<_> = (0..JOBS).map(job).collect();
    for (number, text) in alone.iter().enumerate() {
        assert!(job(number) == *text, "job {number} is another the second time");
    }
    std::thread::scope(|scope| {
        for thread in 0..4 {
            let alone = &alone;
            scope.spawn(move || {
                // Each begins elsewhere, so that unlike jobs run beside each other.
                for number in (0..JOBS).map(|place| (place + 6 * thread) % JOBS) {
                    assert!(job(number) == alone[number], "job {number} is another on thread {thread}");
                }
            });
        }
    });
}

#[test]
fn another_seed_gives_other_traffic() {
    assert_ne!(traffic(&Latched::LAYOUT, 1), traffic(&Latched::LAYOUT, 2));
}

/// The whole chain, and each half of a run: a branch that is continued gives what the trunk gives.
#[test]
fn a_branch_gives_the_bytes_of_its_trunk() {
    for seed in 0..20 {
        let layout = random_map::layout(seed);
        let devices = (2..).find(|&devices| layout.can_frame(devices)).unwrap();
        let trunk = VirtualChain::new(layout, devices).unwrap();
        let go = |chain: &VirtualChain, seed: u64| {
            let mut dice = Dice(seed);
            let mut told = String::new();
            for _ in 0..50 {
                let mut frame: Vec<u8> = (0..layout.frame_bytes(devices)).map(|_| dice.next() as u8).collect();
                chain.spi().transfer_in_place(&mut frame).unwrap();
                chain.advance_ns(dice.below(9_000_000));
                writeln!(told, "{frame:02x?}").unwrap();
            }
            told + &chain.log_text()
        };
        go(&trunk, seed);
        let branch = trunk.fork();
        let (other, at_ns) = (trunk.fork(), trunk.now_ns());
        let of_branch = go(&branch, seed + 100);
        go(&other, seed + 200);
        assert_eq!(trunk.now_ns(), at_ns, "a branch has no say in the trunk's time");
        assert!(go(&trunk, seed + 100) == of_branch, "random map {seed}");
    }
}
