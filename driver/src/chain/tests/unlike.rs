//! Unlike devices in one chain, byte by byte: each is spoken to and understood in its own terms.
//!
//! `Latched` is device 0 and 2, filler 0x7E7E, replies in the same slots. Device 1 is `Terse`: filler 0x0000, replies in
//! the next frames, one unit a command, but four for a write.

use core::time::Duration;

use super::*;
use crate::chain::{Retries, StillError, UntilStill, Verifier, VerifyError};
use crate::map::{ChainFlaw, ChainMap, Devices, ReplyTiming, SpiMode, WireDifference};
use crate::settings::{Apply, Setting, Settings};
use crate::{AxisCommand, release, wiring};

struct Terse;

impl RegisterMap for Terse {
    const LAYOUT: Layout = Layout::new(
        "terse",
        Wire::latched_units(16, &[Piece::fixed(16, 0)]).mode(SpiMode::Mode3).reply_timing(ReplyTiming::NextFrame),
    )
    .axes(2)
    .registers(&[Register::new(Parameter::ProfileVelocity, 0x7, 20)])
    .commands(&[
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(12, 0xF1E), Piece::address(4)])
            .reply(&[Piece::any(12), Piece::data(20)]),
        CommandForm::word(
            Verb::WriteParameter,
            &[Piece::fixed(12, 0xF2E), Piece::address(4), Piece::data(20), Piece::fixed(28, 0x0135_79BD)],
        ),
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0xF33F)])
            .reply(&[Piece::fixed(8, 0x5A), Piece::status(8)]),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::HighImpedance),
            &[Piece::fixed(12, 0xF44), Piece::fixed(3, 0), Piece::axis(1)],
        ),
    ])
    .status(StatusLayout::new(8, &[StatusBit::live(Flag::Busy, 7), StatusBit::live(Flag::Busy, 6).axis(1)]));
}

struct Mixed;
impl ChainMap for Mixed {
    const DEVICES: Devices = Devices::unlike(&[&Latched::LAYOUT, &Terse::LAYOUT, &Latched::LAYOUT]);
}

/// By hand: a read of Latched at 0x10 is 01010 000 = 0x50, 0x10, its content in two more units: 25 000 = 0x0061A8 is
/// 500 steps/s. A write of Terse at 7 is 0xF2E7, then 700 = 0x002BC in 20 bits and 0x0135_79BD in 28: 0x002B 0xC135
/// 0x79BD. A stop of Latched is 0x3A, 0x18. All are complete in the fourth frame, behind each one's own filler.
#[test]
fn commands_end_on_one_edge_behind_each_devices_own_filler() {
    let spi = bus(&[
        (&[0x7E, 0x7E, 0xF2, 0xE7, 0x7E, 0x7E], &[0; 6]),
        (&[0x7E, 0x7E, 0x00, 0x2B, 0x7E, 0x7E], &[0; 6]),
        (&[0x7E, 0x7E, 0xC1, 0x35, 0x7E, 0x7E], &[0; 6]),
        (&[0x3A, 0x18, 0x79, 0xBD, 0x50, 0x10], &[0; 6]),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0, 0, 0, 0, 0x00, 0x00]),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0, 0, 0, 0, 0x61, 0xA8]),
    ]);
    let mut chain = Chain::<Mixed, _, 3>::new(spi);
    let replies = chain
        .exchange(&[
            Command::read(Parameter::ProfileVelocity),
            Command::write(Parameter::ProfileVelocity, velocity(700)),
            Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven },
        ])
        .unwrap()
        .map(Result::unwrap);
    assert_eq!(replies[0].value, Some(Value::Velocity(velocity(500))));
    assert_eq!((replies[1].value, replies[2].value), (None, None));
    chain.release().done();
}

/// Only the device whose map has a flag for refusals is looked at, and its flag is read by its own map: bit 8 of 0x810D.
#[test]
fn a_refusal_is_heeded_in_the_terms_of_its_device() {
    let spi = bus(&[
        (&[0x7E, 0x7E, 0xF2, 0xE7, 0x7E, 0x7E], &[0; 6]),
        (&[0x7E, 0x7E, 0x00, 0x2B, 0x7E, 0x7E], &[0; 6]),
        (&[0x7E, 0x7E, 0xC1, 0x35, 0x7E, 0x7E], &[0; 6]),
        (&[0x3A, 0x18, 0x79, 0xBD, 0x7E, 0x7E], &[0; 6]),
        (&[0xE0, 0x00, 0x00, 0x00, 0x7E, 0x7E], &[0; 6]),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0x81, 0x0D, 0, 0, 0, 0]),
    ]);
    let mut chain = Chain::<Mixed, _, 3>::new(spi);
    let stop = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };
    let write = Command::write(Parameter::ProfileVelocity, velocity(700));
    let error = chain.send(&[Command::Filler, write, stop]).unwrap_err();
    let verb = Verb::Stop(StopRamp::Quick, BridgeState::Driven);
    assert_eq!(error, Error::Rejected { device: 2, verb, flag: Flag::CommandRejected });
    chain.release().done();
}

/// By hand: a read of Terse is 0xF1E7; of its reply's 32 bits the last 20 are the content, 0x003E8. Peek of Latched is
/// 0xE000, and 0x810D as in the test of one device. A reply that is one frame longer is awaited for its device alone.
#[test]
fn each_reply_is_read_in_the_terms_of_its_device() {
    let spi = bus(&[
        (&[0xE0, 0x00, 0xF1, 0xE7, 0xE0, 0x00], &[0xFF; 6]),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0x81, 0x0D, 0xFF, 0xF0, 0x00, 0x01]),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0xFF, 0xFF, 0x03, 0xE8, 0xFF, 0xFF]),
    ]);
    let mut chain = Chain::<Mixed, _, 3>::new(spi);
    let commands = [Command::PeekStatus, Command::read(Parameter::ProfileVelocity), Command::PeekStatus];
    let [near, middle, far] = chain.send(&commands).unwrap();
    assert_eq!(near.status.unwrap().flag(Flag::ResetOccurred), Some(true), "active low");
    assert_eq!(middle.value, Some(Value::Velocity(velocity(1000))));
    assert_eq!(far.status.unwrap().motion_state(), Some(MotionState::ConstantVelocity));
    assert_eq!(far.status.unwrap().flag(Flag::CommandRejected), Some(true));
    chain.release().done();
}

/// By hand: the status of Terse begins with 0x5A; its bit 6 says that axis 1 is busy.
#[test]
fn a_status_of_every_device_is_judged_by_its_own_map_and_its_own_axes() {
    let peek: (&[u8], &[u8]) = (&[0xE0, 0x00, 0xF3, 0x3F, 0xE0, 0x00], &[0; 6]);
    let filler: &[u8] = &[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E];
    let answers: [(&[u8], &[u8]); 4] =
        [peek, (filler, &[0x80, 0x01, 0x5A, 0x40, 0x80, 0x01]), peek, (filler, &[0x80, 0x01, 0x5A, 0x00, 0x80, 0x01])];
    let mut chain = Chain::<Mixed, _, 3>::new(bus(&answers));
    let mut still = UntilStill::of(Chain::<Mixed, Mock<u8>, 3>::DEVICES, Duration::ZERO, 2);
    while chain.poll(&mut still).unwrap() != crate::chain::Step::Done {
        let moving = Err(StillError::Moving { device: 1, axis: 1 });
        assert!(still.result() == moving || still.result().is_ok(), "{:?}", still.result());
    }
    assert_eq!(still.result(), Ok(()));
    chain.release().done();
}

/// What only one kind has, and what another kind takes for a fault, is told with the device.
#[test]
fn what_a_device_lacks_is_refused_for_that_device_alone() {
    let spi = bus(&[
        (&[0xE0, 0x00, 0xF3, 0x3F, 0x7E, 0x7E], &[0; 6]),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0x5A, 0x00, 0x80, 0x01, 0x80, 0x01]),
    ]);
    let mut chain = Chain::<Mixed, _, 3>::new(spi);
    let error = chain.send_all(Command::HomeOnCurrentPosition).unwrap_err();
    assert_eq!(error.to_string(), "device 1: the map has no command `home on current position`");
    let error = chain.send_one(2, Command::PeekStatus.on(1)).unwrap_err();
    assert_eq!(error.to_string(), "device 2: axis 1 does not exist, the device has 1");
    // The answers are in each other's place.
    let replies = chain.exchange(&[Command::Filler, Command::PeekStatus, Command::PeekStatus]).unwrap();
    assert_eq!(replies[0], Ok(Reply::default()));
    assert_eq!(replies[1], Err(ReplyError::Malformed));
    assert!(replies[2].is_ok());
    chain.release().done();
}

/// The longest command of Latched has three units, that of Terse four; after a failure each gets its own filler.
#[test]
fn a_chain_out_of_step_gets_as_many_idle_frames_as_the_longest_command_of_all_has_units() {
    let idle: (&[u8], &[u8]) = (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0; 6]);
    let stop: (&[u8], &[u8]) = (&[0x7E, 0x7E, 0xF4, 0x41, 0x7E, 0x7E], &[0; 6]);
    let mut chain = Chain::<Mixed, _, 3>::new(bus(&[idle, idle, idle, idle, stop]));
    chain.doubt_step();
    chain.send_one(1, Command::Stop { ramp: StopRamp::None, bridge: BridgeState::HighImpedance }.on(1)).unwrap();
    chain.release().done();
    assert_eq!(Codec::for_devices(Mixed::DEVICES).unwrap().resync_frames(), 4);
}

/// By hand: of Latched 0x3C42, one unit; of Terse 0xF440 for axis 0, then 0xF441 for axis 1.
#[test]
fn the_release_sequence_stops_each_device_in_its_own_words() {
    let idle: &[u8] = &[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E];
    let (first, second): (&[u8], &[u8]) =
        (&[0x3C, 0x42, 0xF4, 0x40, 0x3C, 0x42], &[0x7E, 0x7E, 0xF4, 0x41, 0x7E, 0x7E]);
    let frames: Vec<_> = release::frames::<Mixed, 3>().collect();
    assert_eq!(frames, [idle, idle, idle, idle, first, second, first, second]);
}

/// Of Latched, with codes of a fiftieth, just that; of Terse, with codes of one, 700.
const ODD: Velocity = match Velocity::from_milli_steps_per_s(700_300) {
    Ok(velocity) => velocity,
    Err(_) => panic!("it is far from the limits"),
};
const FASTER: Settings<1> = Settings::new([Setting::new(Parameter::ProfileVelocity, Value::Velocity(ODD))]);

#[test]
fn settings_go_to_one_device_or_to_each_in_its_own_codes() {
    let none: &[u8] = &[0; 6];
    let one: [(&[u8], &[u8]); 7] = [
        (&[0x7E, 0x7E, 0xF2, 0xE7, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0x00, 0x2B, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0xC1, 0x35, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0x79, 0xBD, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0xF1, 0xE7, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0, 0, 0x02, 0xBC, 0, 0]),
    ];
    let mut chain = Chain::<Mixed, _, 3>::new(bus(&one));
    let mut apply = Apply::new(Mixed::DEVICES, [None, Some(&FASTER), None]);
    while chain.poll(&mut apply).unwrap() != crate::chain::Step::Done {}
    assert_eq!(apply.results(), &[Ok(()); 3]);
    chain.release().done();

    // By hand: 700.3 steps/s of Latched are 35 015 = 0x88C7. What does not come back as written is told with its device.
    let each: [(&[u8], &[u8]); 7] = [
        (&[0x7E, 0x7E, 0xF2, 0xE7, 0x7E, 0x7E], none),
        (&[0x88, 0x10, 0x00, 0x2B, 0x88, 0x10], none),
        (&[0x00, 0x00, 0xC1, 0x35, 0x00, 0x00], none),
        (&[0x88, 0xC7, 0x79, 0xBD, 0x88, 0xC7], none),
        (&[0x50, 0x10, 0xF1, 0xE7, 0x50, 0x10], none),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0x88, 0xC7, 0x02, 0xBC, 0x88, 0xC6]),
    ];
    let mut chain = Chain::<Mixed, _, 3>::new(bus(&each));
    let mut apply = Apply::to_all(Mixed::DEVICES, &FASTER);
    while chain.poll(&mut apply).unwrap() != crate::chain::Step::Done {}
    let told: [bool; 3] = core::array::from_fn(|device| apply.results()[device].is_err());
    assert_eq!(told, [true, false, false]);
    chain.release().done();
}

/// Terse has no flag that speaks of a command, so only Latched is asked for its status; both are read back.
#[test]
fn a_verified_send_asks_each_device_what_its_map_can_tell() {
    let none: &[u8] = &[0; 6];
    let filler: &[u8] = &[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E];
    let peek: [(&[u8], &[u8]); 2] =
        [(&[0x7E, 0x7E, 0x00, 0x00, 0xE0, 0x00], none), (filler, &[0, 0, 0, 0, 0x80, 0x01])];
    let send: [(&[u8], &[u8]); 4] = [
        (&[0x7E, 0x7E, 0xF2, 0xE7, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0x00, 0x2B, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0xC1, 0x35, 0x7E, 0x7E], none),
        (&[0x7E, 0x7E, 0x79, 0xBD, 0x4D, 0x5A], none),
    ];
    let compare: [(&[u8], &[u8]); 3] =
        [(&[0x7E, 0x7E, 0xF1, 0xE7, 0x7E, 0x7E], none), (filler, none), (filler, &[0, 0, 0x02, 0xBB, 0, 0])];
    struct Pair;
    impl ChainMap for Pair {
        const DEVICES: Devices = Devices::unlike(&[&Latched::LAYOUT, &Terse::LAYOUT, &Terse::LAYOUT]);
    }
    // Filler of the third device, which is of the other kind now.
    let frames: Vec<(Vec<u8>, Vec<u8>)> = [&peek[..], &send, &peek, &compare]
        .concat()
        .iter()
        .map(|(mosi, miso)| ([&[0, 0], &mosi[2..]].concat(), miso.to_vec()))
        .collect();
    let borrowed: Vec<(&[u8], &[u8])> = frames.iter().map(|(mosi, miso)| (&mosi[..], &miso[..])).collect();
    let mut chain = Chain::<Pair, _, 3>::new(bus(&borrowed));
    let commands = [Command::HomeOnCurrentPosition, Command::write(Parameter::ProfileVelocity, ODD), Command::Filler];
    let error = chain.send_verified(&commands, &mut Verifier::new(Retries::NONE)).unwrap_err();
    let VerifyError::Device { device: 1, doubt, .. } = error else { panic!("{error}") };
    assert_eq!(doubt.to_string(), "register `profile velocity` should hold 700 steps/s and holds 699 steps/s");
    chain.release().done();
}

#[test]
fn unlike_wires_and_wrong_counts_are_refused_before_anything_is_encoded() {
    let devices = Devices::unlike(&[&Latched::LAYOUT, &Terse::LAYOUT, &FixedWord::LAYOUT]);
    let difference = WireDifference::UnitBits { found: 48, expected: 16 };
    assert_eq!(
        Codec::for_devices(devices).unwrap_err(),
        ChainFlaw::WireForm { device: 2, name: "fixed-word", difference }
    );
    let codec = Codec::for_devices(Mixed::DEVICES).unwrap();
    let (mut pending, mut buffer) = ([Pending::default(); 4], [0; 8]);
    for devices in [0, 1, 2, 4] {
        let commands = [Command::Filler; 4];
        let error = codec.begin(&commands[..devices], &mut pending, &mut buffer).unwrap_err();
        assert_eq!(error, BeginError::Devices(ChainFlaw::Count { layouts: 3, devices }));
    }
    let error = wiring::Check::new(codec, Some(2), &mut pending, &mut [0; 64]).unwrap_err();
    assert_eq!(error, wiring::WiringError::Devices(ChainFlaw::Count { layouts: 3, devices: 2 }));
}

/// Whether devices are named one by one or as one kind, the bytes are the same.
#[test]
fn like_devices_named_one_by_one_are_sent_the_same_bytes() {
    let bytes = |devices: Devices| {
        let codec = Codec::for_devices(devices).unwrap();
        let (mut pending, mut buffer) = ([Pending::default(); 2], [0; 4]);
        let commands: [AxisCommand; 2] = [Command::read(Parameter::TargetPosition).into(), AxisCommand::default()];
        let mut talk = codec.begin(&commands, &mut pending, &mut buffer).unwrap();
        let mut frames = Vec::new();
        while let Some(frame) = talk.next_frame() {
            frames.push(frame.to_vec());
            talk.came_back();
        }
        frames
    };
    let one_by_one = bytes(Devices::unlike(&[&Latched::LAYOUT, &Latched::LAYOUT]));
    assert_eq!(one_by_one, bytes(Devices::alike(&Latched::LAYOUT)));
    assert_eq!(one_by_one.len(), 3);
}
