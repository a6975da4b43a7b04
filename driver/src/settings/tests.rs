//! Settings on a small model of devices that answers typed commands; no bus and no codec in between.

extern crate std;

use std::collections::BTreeMap;
use std::string::ToString;
use std::vec::Vec;

use proptest::prelude::*;

use super::image::{ImageError, image_bytes};
use super::*;
use crate::chain::{Procedure, Step};
use crate::command::{AxisCommand, Command};
use crate::map::{Encoding, Flag, Piece, RegisterMap, Wire};
use crate::reference::{FixedWord, Latched};
use crate::reply::{Reply, ReplyError, Status};
use crate::units::{Acceleration, Amplitude, Factor, Velocity};

const FEEDER: Settings<4> = Settings::new([
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<600>())),
    Setting::new(Parameter::ProfileAcceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_501>())),
    Setting::new(Parameter::AcceleratingAmplitude, Value::Amplitude(Amplitude::per_mille::<250>())),
    Setting::new(Parameter::ResistanceCompensation, Value::Factor(Factor::ONE)),
]);
const _: () = FEEDER.assert_fits(&Latched::LAYOUT);

/// A device of the latched map as its commands see it: codes by register name, and two states.
#[derive(Clone, Debug, Default)]
struct Model {
    codes: BTreeMap<&'static str, u32>,
    moves: bool,
    driven: bool,
    /// A register that keeps its code whatever is written to it.
    stuck: Option<&'static str>,
    fails: Option<ReplyError>,
    heard: Vec<Command>,
}

impl Model {
    fn answer(&mut self, asked: AxisCommand) -> Result<Reply, ReplyError> {
        self.heard.push(asked.command);
        if let Some(error) = self.fails {
            return Err(error);
        }
        let mut reply = Reply::default();
        match asked.command {
            Command::PeekStatus => {
                // Busy is bit 0, active low; motion state bits 3..2; bridge off bit 5.
                let word = if self.moves { 0b1100 } else { 0b0001 } | u64::from(!self.driven) << 5;
                reply.status = Some(Status::new(word, 0xFFFF, &STATUS));
            }
            Command::WriteParameter { parameter, value } => {
                let register = Latched::LAYOUT.register(parameter, asked.axis).unwrap();
                if self.stuck != Some(register.name) {
                    self.codes.insert(register.name, register.code_of(value).unwrap());
                }
            }
            Command::ReadParameter { parameter } => {
                let register = Latched::LAYOUT.register(parameter, asked.axis).unwrap();
                let code = self.codes.get(register.name).copied().unwrap_or(register.reset);
                reply.value = Some(register.value_of(code).unwrap());
            }
            _ => {}
        }
        Ok(reply)
    }
}

static STATUS: crate::map::StatusLayout = Latched::LAYOUT.status;

/// Drives the procedure to its end; gives the number of exchanges.
fn run<const N: usize>(procedure: &mut impl Procedure<N>, models: &mut [Model; N]) -> usize {
    for exchanges in 0..1000 {
        let mut commands = [AxisCommand::default(); N];
        match procedure.next(&mut commands) {
            Step::Exchange => {
                let mut replies = [Ok(Reply::default()); N];
                for ((reply, command), model) in replies.iter_mut().zip(commands).zip(models.iter_mut()) {
                    *reply = model.answer(command);
                }
                procedure.came_back(&replies);
            }
            Step::Wait(_) => {}
            Step::Done => return exchanges,
        }
    }
    panic!("the procedure does not end");
}

#[test]
fn three_devices_are_set_and_read_back_in_the_exchanges_of_one() {
    let mut one = [Model::default()];
    let exchanges = run(&mut Apply::to_all(&Latched::LAYOUT, &FEEDER), &mut one);
    assert_eq!(exchanges, 1 + 4 + 4, "a look, four writes, four reads");
    let mut three = [Model::default(), Model::default(), Model::default()];
    let mut apply = Apply::to_all(&Latched::LAYOUT, &FEEDER);
    assert_eq!(run(&mut apply, &mut three), exchanges);
    assert_eq!(apply.results(), &[Ok(()); 3]);
    for model in &three {
        assert_eq!(model.codes["profile velocity"], 30_000);
        assert_eq!(model.codes["profile acceleration"], 751);
        assert_eq!(model.codes["accelerating amplitude"], 128);
    }
}

/// Resistance compensation asks for the bridge off, the acceleration for standstill; both come before the rest.
#[test]
fn what_asks_for_the_most_is_written_first() {
    let mut models = [Model::default()];
    run(&mut Apply::to_all(&Latched::LAYOUT, &FEEDER), &mut models);
    let written: Vec<_> = models[0]
        .heard
        .iter()
        .filter_map(|command| match command {
            Command::WriteParameter { parameter, .. } => Some(*parameter),
            _ => None,
        })
        .collect();
    assert_eq!(
        written,
        [
            Parameter::ResistanceCompensation,
            Parameter::ProfileAcceleration,
            Parameter::ProfileVelocity,
            Parameter::AcceleratingAmplitude
        ]
    );
}

#[test]
fn nothing_is_written_anywhere_while_one_device_is_in_the_way() {
    for (obstacle, expected) in [
        (
            Model { moves: true, ..Model::default() },
            "register `profile acceleration` can only be written at standstill",
        ),
        (Model { driven: true, ..Model::default() }, "register `resistance compensation` can only be written in high"),
    ] {
        let mut models = [Model::default(), obstacle];
        let mut apply = Apply::to_all(&Latched::LAYOUT, &FEEDER);
        run(&mut apply, &mut models);
        let message = apply.results()[1].unwrap_err().to_string();
        assert!(message.starts_with(expected), "{message}");
        assert!(models.iter().all(|model| model.codes.is_empty()));
    }
}

#[test]
fn a_register_that_holds_something_else_is_told_with_both_values() {
    let stuck = Model { stuck: Some("profile velocity"), ..Model::default() };
    let mut models = [stuck, Model::default()];
    let mut apply = Apply::to_all(&Latched::LAYOUT, &FEEDER);
    run(&mut apply, &mut models);
    assert_eq!(
        apply.results()[0].unwrap_err().to_string(),
        "register `profile velocity` was written with 600 steps/s and holds 500 steps/s"
    );
    assert_eq!(apply.results()[1], Ok(()));
}

#[test]
fn a_device_whose_reply_fails_does_not_keep_the_others_from_being_set() {
    let mute = Model { fails: Some(ReplyError::Malformed), ..Model::default() };
    let only_velocity = Settings::new([FEEDER.entries()[0]]);
    let mut models = [mute, Model::default()];
    let mut apply = Apply::to_all(&Latched::LAYOUT, &only_velocity);
    run(&mut apply, &mut models);
    assert_eq!(apply.results(), &[Err(ApplyError::Reply(ReplyError::Malformed)), Ok(())]);
    assert_eq!(models[1].codes["profile velocity"], 30_000);
}

#[test]
fn a_device_may_be_left_as_it_is() {
    let mut models = [Model::default(), Model::default()];
    let mut apply = Apply::new(&Latched::LAYOUT, [None, Some(&FEEDER)]);
    run(&mut apply, &mut models);
    assert!(models[0].codes.is_empty());
    assert_eq!(models[1].codes.len(), 4);
}

#[test]
fn what_devices_hold_is_compared_with_what_was_meant() {
    let mut models = [Model::default(), Model::default()];
    models[1].codes.insert("profile velocity", 25_001);
    let mut read_back = ReadBack::new(&FEEDER);
    run(&mut read_back, &mut models);
    let found = read_back.found()[1].unwrap();
    let wanted = FEEDER.quantised(&Latched::LAYOUT).unwrap();
    let differences: Vec<_> =
        wanted.diff(&found).map(|(setting, theirs)| (setting.value.to_string(), theirs.unwrap().to_string())).collect();
    let expected =
        [("600 steps/s", "500.02 steps/s"), ("1502 steps/s²", "1000 steps/s²"), ("0.25 of supply", "0.3125 of supply")];
    assert_eq!(differences, expected.map(|(ours, theirs)| (ours.to_string(), theirs.to_string())));
}

#[test]
fn settings_that_do_not_fit_are_refused_with_parameter_and_reason() {
    let refused = |setting: Setting| Settings::new([setting]).check(&Latched::LAYOUT).unwrap_err().to_string();
    let velocity = Value::Velocity(Velocity::steps_per_s::<400_000>());
    assert_eq!(
        refused(Setting::new(Parameter::ProfileVelocity, velocity)),
        "setting `profile velocity` of axis 0: `profile velocity`: 400000 steps/s is outside 0..=335544.3 steps/s"
    );
    assert!(refused(Setting::new(Parameter::SupplyVoltage, velocity)).contains("no register for `supply voltage`"));
    assert!(refused(Setting::new(Parameter::VelocityDemandValue, velocity)).contains("can only be read"));
    assert!(refused(Setting::new(Parameter::ProfileAcceleration, velocity)).contains("takes"));
    let twice = Settings::new([FEEDER.entries()[0]; 2]);
    assert_eq!(
        twice.check(&Latched::LAYOUT).unwrap_err().to_string(),
        "setting `profile velocity` of axis 0 occurs twice"
    );
    let mut apply = Apply::to_all(&Latched::LAYOUT, &twice);
    assert_eq!(run(&mut apply, &mut [Model::default()]), 0, "nothing is sent");
}

/// By hand: 'S' 'c' 1 1, four bytes of the map, address 0x0010, bit 0, axis 0, code 30 000 = 0x7530, then the check.
#[test]
fn an_image_is_what_the_drawing_says() {
    let mut bytes = [0xEE; image_bytes(1) + 1];
    let one = Settings::new([FEEDER.entries()[0]]);
    assert_eq!(one.to_image(&Latched::LAYOUT, &mut bytes), Ok(20));
    assert_eq!(bytes[..4], [0x53, 0x63, 1, 1]);
    assert_eq!(bytes[8..16], [0x10, 0x00, 0, 0, 0x30, 0x75, 0, 0]);
    assert_eq!(bytes[20], 0xEE, "what is behind the image stays");
    let check = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&bytes[..16]);
    assert_eq!(bytes[16..20], check.to_le_bytes());
}

#[test]
fn an_image_that_is_none_foreign_or_of_another_time_says_so() {
    let mut bytes = [0; image_bytes(4)];
    FEEDER.to_image(&Latched::LAYOUT, &mut bytes).unwrap();
    let read = |bytes: &[u8]| Settings::<4>::from_image(&Latched::LAYOUT, bytes);
    assert_eq!(read(&[0xFF; 44]), Err(ImageError::NoImage), "an erased page");
    assert_eq!(read(&[]), Err(ImageError::TooShort { found: 0, needed: 44 }));
    assert_eq!(read(&bytes[..43]), Err(ImageError::TooShort { found: 43, needed: 44 }));
    let foreign = Settings::<4>::from_image(&FixedWord::LAYOUT, &bytes);
    assert!(matches!(foreign, Err(ImageError::ForeignMap { .. })), "{foreign:?}");
    let fewer = Settings::<3>::from_image(&Latched::LAYOUT, &bytes);
    assert_eq!(fewer, Err(ImageError::Count { found: 4, expected: 3 }));
    let mut newer = bytes;
    newer[2] = 2;
    assert_eq!(read(&newer), Err(ImageError::Version { found: 2 }));
    assert_eq!(FEEDER.to_image(&Latched::LAYOUT, &mut [0; 43]), Err(ImageError::TooShort { found: 43, needed: 44 }));
}

/// The same name and places, but a code means something else: an image of the one is none of the other.
#[test]
fn a_map_whose_codes_mean_something_else_is_another_map() {
    const FILLER: &[Piece] = &[Piece::fixed(8, 0)];
    const FIRST: Layout = Layout::new("twin", Wire::latched_units(8, FILLER)).registers(&[Register::new(
        Parameter::ProfileVelocity,
        1,
        8,
    )
    .encoding(Encoding::linear(1, 2))]);
    const SECOND: Layout = Layout::new("twin", Wire::latched_units(8, FILLER)).registers(&[Register::new(
        Parameter::ProfileVelocity,
        1,
        8,
    )
    .encoding(Encoding::linear(1, 3))]);
    let settings =
        Settings::new([Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<10>()))]);
    let mut bytes = [0; image_bytes(1)];
    settings.to_image(&FIRST, &mut bytes).unwrap();
    assert_eq!(Settings::from_image(&FIRST, &bytes), Ok(settings));
    assert!(matches!(Settings::<1>::from_image(&SECOND, &bytes), Err(ImageError::ForeignMap { .. })));
}

/// The same places and codes, but the two slopes have changed theirs.
#[test]
fn a_map_with_two_parameters_swapped_is_another_map() {
    const FILLER: &[Piece] = &[Piece::fixed(8, 0)];
    const fn map(registers: &'static [Register]) -> Layout {
        Layout::new("slopes", Wire::latched_units(8, FILLER)).registers(registers)
    }
    const FIRST: Layout = map(&[
        Register::new(Parameter::ProfileAcceleration, 1, 8),
        Register::new(Parameter::ProfileDeceleration, 2, 8),
    ]);
    const SECOND: Layout = map(&[
        Register::new(Parameter::ProfileDeceleration, 1, 8),
        Register::new(Parameter::ProfileAcceleration, 2, 8),
    ]);
    let slope = Value::Acceleration(Acceleration::steps_per_s2::<10>());
    let settings = Settings::new([Setting::new(Parameter::ProfileAcceleration, slope)]);
    let mut bytes = [0; image_bytes(1)];
    settings.to_image(&FIRST, &mut bytes).unwrap();
    assert!(matches!(Settings::<1>::from_image(&SECOND, &bytes), Err(ImageError::ForeignMap { .. })));
}

proptest! {
    #[test]
    fn an_image_brings_back_what_the_codes_mean(velocity in 0i32..335_000_000, slope in 0i32..131_000_000) {
        let settings = Settings::new([
            Setting::new(Parameter::ProfileVelocity, Velocity::from_milli_steps_per_s(velocity).unwrap().into()),
            Setting::new(Parameter::ProfileAcceleration, Acceleration::from_milli_steps_per_s2(slope).unwrap().into()),
        ]);
        let mut bytes = [0; image_bytes(2)];
        settings.to_image(&Latched::LAYOUT, &mut bytes).unwrap();
        let back = Settings::<2>::from_image(&Latched::LAYOUT, &bytes);
        prop_assert_eq!(back, Ok(settings.quantised(&Latched::LAYOUT).unwrap()));
    }

    /// CRC-32 finds every damage within 32 bits; anything else must be refused for another reason.
    #[test]
    fn no_damaged_byte_goes_unnoticed(place in 0usize..44, damage in 1u8..) {
        let mut bytes = [0; image_bytes(4)];
        FEEDER.to_image(&Latched::LAYOUT, &mut bytes).unwrap();
        bytes[place] ^= damage;
        prop_assert!(Settings::<4>::from_image(&Latched::LAYOUT, &bytes).is_err());
    }

    #[test]
    fn any_bytes_are_an_image_or_an_error(bytes in prop::collection::vec(any::<u8>(), 0..80)) {
        let _ = Settings::<3>::from_image(&Latched::LAYOUT, &bytes);
    }
}

/// The flags that the model speaks of are where the map has them.
#[test]
fn the_model_speaks_the_maps_status() {
    let status = |model: Model| model.clone().answer(Command::PeekStatus.into()).unwrap().status.unwrap();
    assert_eq!(status(Model::default()).flag(Flag::Busy), Some(false));
    assert_eq!(status(Model::default()).flag(Flag::BridgeOff), Some(true));
    let moving = status(Model { moves: true, driven: true, ..Model::default() });
    assert_eq!(moving.flag(Flag::Busy), Some(true));
    assert_eq!(moving.motion_state(), Some(crate::map::MotionState::ConstantVelocity));
}

/// The fixed-word map, but with a shadow copy in place of a read.
struct Shadowed;
impl RegisterMap for Shadowed {
    const LAYOUT: Layout = {
        let mut layout = FixedWord::LAYOUT;
        layout.wire = layout.wire.shared_write(crate::map::SharedWrite::Shadow);
        layout
    };
}
crate::check_map!(Shadowed);

/// By hand: register 0x25 powers up with 300 << 16 | 150 << 4 | 4 = 0x012C0964; 0.2 of supply is code 200 = 0xC8, and
/// 0.4 is code 400 = 0x190.
#[test]
fn a_shadow_copy_replaces_one_field_after_another() {
    const LAYOUT: &Layout = &Shadowed::LAYOUT;
    let mut shadow = Shadow::<{ LAYOUT.shared_registers() }>::new(LAYOUT).unwrap();
    let content = |command: AxisCommand| match command.command {
        Command::WriteContent { content, .. } => content,
        other => panic!("{other:?}"),
    };
    let first = shadow.write(Parameter::StandstillAmplitude, 0, Amplitude::per_mille::<200>()).unwrap();
    assert_eq!(content(first), 0x012C_0C84);
    let second = shadow.write(Parameter::ConstantVelocityAmplitude, 0, Amplitude::per_mille::<400>()).unwrap();
    assert_eq!(content(second), 0x0190_0C84);
    let refused = shadow.write(Parameter::StandstillAmplitude, 0, Factor::ONE).unwrap_err();
    assert!(matches!(refused, CommandError::WrongUnit { .. }), "{refused}");
    shadow.reset();
    let third = shadow.write(Parameter::StandstillAmplitude, 0, Amplitude::per_mille::<200>()).unwrap();
    assert_eq!(content(third), 0x012C_0C84);
    assert_eq!(Shadow::<2>::new(LAYOUT), None, "the map has one shared register");
    let alone = shadow.write(Parameter::ProfileVelocity, 0, Velocity::steps_per_s::<10>()).unwrap();
    assert!(matches!(alone.command, Command::WriteParameter { .. }));
}

/// By hand: the word of the write is 1 0100101 = 0xA5, the content, and CRC-8/AUTOSAR over the five bytes; no read
/// comes before it.
#[test]
fn a_shadowed_register_goes_out_whole_in_one_word_and_not_alone() {
    use embedded_hal_mock::eh1::spi::{Mock, Transaction};
    let body = [0xA5, 0x01, 0x2C, 0x0C, 0x84];
    let check = crc::Crc::<u8>::new(&crc::CRC_8_AUTOSAR).checksum(&body);
    let word = [&body[..], &[check]].concat();
    let spi = Mock::new(&[
        Transaction::transaction_start(),
        Transaction::transfer_in_place(word, std::vec![0; 6]),
        Transaction::transaction_end(),
    ]);
    let mut chain = crate::Chain::<Shadowed, _, 1>::new(spi);
    let mut shadow = Shadow::<1>::new(&Shadowed::LAYOUT).unwrap();
    let amplitude = Amplitude::per_mille::<200>();
    let alone = chain.send_one(0, Command::write(Parameter::StandstillAmplitude, amplitude)).unwrap_err();
    assert!(alone.to_string().contains("by a shadow copy"), "{alone}");
    let whole = shadow.write(Parameter::StandstillAmplitude, 0, amplitude).unwrap();
    assert!(chain.exchange(&[whole]).unwrap().iter().all(Result::is_ok));
    let beyond = Command::WriteContent { parameter: Parameter::StandstillAmplitude, content: 1 << 26 };
    assert!(chain.send_one(0, beyond).unwrap_err().to_string().contains("not 0x4000000"));
    chain.release().done();
}

/// Two of the three fields are among the settings; the third goes out with its reset code 4.
#[test]
fn settings_write_a_shadowed_register_once() {
    let settings = Settings::new([
        Setting::new(Parameter::ConstantVelocityAmplitude, Value::Amplitude(Amplitude::per_mille::<400>())),
        Setting::new(Parameter::StandstillAmplitude, Value::Amplitude(Amplitude::per_mille::<200>())),
    ]);
    let mut apply = Apply::<2, 1>::to_all(&Shadowed::LAYOUT, &settings);
    let mut commands = [AxisCommand::default()];
    assert_eq!(apply.next(&mut commands), Step::Exchange);
    let parameter = Parameter::ConstantVelocityAmplitude;
    assert_eq!(commands, [Command::WriteContent { parameter, content: 0x0190_0C84 }.into()]);
    apply.came_back(&[Ok(Reply::default())]);
    let mut commands = [AxisCommand::default()];
    assert_eq!(apply.next(&mut commands), Step::Exchange);
    assert_eq!(commands, [Command::read(parameter).into()], "nothing else is written");
}
