//! A map as large as they come, checked while it is compiled: the compiler gives up on constants that take long.
//!
//! Every command there is, told apart by addresses that no register has, which is the most that the check ever
//! compares; and 160 registers, the curve of each motion state among them.

use super::*;

const COUNT: usize = 160;

macro_rules! names {
    ($($letter:ident)*) => {
        [$(
            concat!("own ", stringify!($letter), "1"), concat!("own ", stringify!($letter), "2"),
            concat!("own ", stringify!($letter), "3"), concat!("own ", stringify!($letter), "4"),
            concat!("own ", stringify!($letter), "5")
        ),*]
    };
}

const NAMES: [&str; 75] = names!(a b c d e f g h i j k l m n o);

const fn registers() -> [Register; COUNT] {
    let mut registers = [Register::new(Parameter::StallLimit, 0, 8); COUNT];
    let mut index = 0;
    while index < COUNT {
        // Addresses 0 to 99 are left to the commands.
        let address = 100 + index as u16;
        registers[index] = match index {
            0..25 => match Parameter::PLAIN[index] {
                place @ Parameter::PositionDemandValue => Register::new(place, address, 32).sign(Sign::TwosComplement),
                resolution @ Parameter::MicrostepResolution => Register::new(resolution, address, 8).up_to(1).reset(1),
                plain => Register::new(plain, address, 8),
            },
            25..100 => Register::new(Parameter::Custom(index as u8), address, 32).named(NAMES[index - 25]),
            _ => {
                let state = MotionState::ALL[(index - 100) / 15];
                let of_state = ((index - 100) % 15) as u8;
                let segment = CurveSegment::of(state, of_state.div_ceil(2));
                match of_state % 2 {
                    0 => Register::new(Parameter::BackEmfSlope(segment), address, 16),
                    _ => Register::new(Parameter::BackEmfFrom(segment), address, 16),
                }
            }
        };
        index += 1;
    }
    registers
}

macro_rules! words {
    ($($verb:expr => $address:literal),* $(,)?) => {
        [$(CommandForm::word(
            $verb,
            &[Piece::fixed(1, 0), Piece::fixed(15, $address), Piece::any(32), Piece::Crc]
        )),*]
    };
}

const STATUS_REPLY: &[Piece] = &[Piece::status(16), Piece::any(32), Piece::Crc];
const WORDS: [CommandForm; 17] = words! {
    Verb::PeekStatus => 1,
    Verb::TakeStatus => 2,
    Verb::HomeOnCurrentPosition => 3,
    Verb::Stop(StopRamp::Profile, BridgeState::Driven) => 4,
    Verb::Stop(StopRamp::Profile, BridgeState::Shorted) => 5,
    Verb::Stop(StopRamp::Profile, BridgeState::HighImpedance) => 6,
    Verb::Stop(StopRamp::Quick, BridgeState::Driven) => 7,
    Verb::Stop(StopRamp::Quick, BridgeState::Shorted) => 8,
    Verb::Stop(StopRamp::Quick, BridgeState::HighImpedance) => 9,
    Verb::Stop(StopRamp::None, BridgeState::Driven) => 10,
    Verb::Stop(StopRamp::None, BridgeState::Shorted) => 11,
    Verb::Stop(StopRamp::None, BridgeState::HighImpedance) => 12,
    Verb::ReturnToZero => 18,
    Verb::ReturnToProbedPosition => 19,
    Verb::RestoreDefaults => 20,
    Verb::ResetNode => 21,
    Verb::FaultReset => 22,
};

const fn to_a_place(address: u64) -> [Piece; 4] {
    [Piece::fixed(1, 0), Piece::fixed(15, address), Piece::position(Coding::signed(32, Encoding::Raw)), Piece::Crc]
}

const fn at_a_velocity(address: u64) -> [Piece; 4] {
    let coding = Coding::signed(32, Encoding::linear(1, 4096));
    [Piece::fixed(1, 0), Piece::fixed(15, address), Piece::velocity(coding), Piece::Crc]
}

const REGISTERS: [Register; COUNT] = registers();
const LARGE: Layout =
    Layout::new("large", Wire::fixed_word(56, &[Piece::fixed(48, 0), Piece::Crc]).crc(Crc8::new(0x2F)))
        .registers(&REGISTERS)
        .commands(&[
            CommandForm::word(
                Verb::ReadParameter,
                &[Piece::fixed(1, 0), Piece::address(15), Piece::any(32), Piece::Crc],
            )
            .reply(&[Piece::any(16), Piece::data(32), Piece::Crc]),
            CommandForm::word(
                Verb::WriteParameter,
                &[Piece::fixed(1, 1), Piece::address(15), Piece::data(32), Piece::Crc],
            ),
            WORDS[0].reply(STATUS_REPLY),
            WORDS[1].reply(STATUS_REPLY),
            WORDS[2],
            WORDS[3],
            WORDS[4],
            WORDS[5],
            WORDS[6],
            WORDS[7],
            WORDS[8],
            WORDS[9],
            WORDS[10],
            WORDS[11],
            WORDS[12],
            WORDS[13],
            WORDS[14],
            WORDS[15],
            WORDS[16],
            CommandForm::word(Verb::SearchForSwitch(EdgeAction::Probe), &at_a_velocity(23)),
            CommandForm::word(Verb::SearchForSwitch(EdgeAction::Zero), &at_a_velocity(24)),
            CommandForm::word(Verb::SearchForZero(EdgeAction::Probe), &at_a_velocity(25)),
            CommandForm::word(Verb::SearchForZero(EdgeAction::Zero), &at_a_velocity(26)),
            CommandForm::word(
                Verb::PulseInput,
                &[Piece::fixed(1, 0), Piece::fixed(15, 27), Piece::direction(true), Piece::any(31), Piece::Crc],
            ),
            CommandForm::word(Verb::MoveAbsolute(Way::Shortest), &to_a_place(13)),
            CommandForm::word(Verb::MoveAbsolute(Way::Positive), &to_a_place(14)),
            CommandForm::word(Verb::MoveAbsolute(Way::Negative), &to_a_place(15)),
            CommandForm::word(
                Verb::MoveRelative,
                &[
                    Piece::fixed(1, 0),
                    Piece::fixed(15, 16),
                    Piece::distance(Coding::signed(32, Encoding::Raw)),
                    Piece::Crc,
                ],
            ),
            CommandForm::word(Verb::MoveVelocity, &at_a_velocity(17)),
        ])
        .status(StatusLayout::new(16, &[StatusBit::latched(Flag::ResetOccurred, 0)]));

const _: () = LARGE.assert_valid();

#[test]
fn a_large_map_has_every_command_and_was_valid_when_it_was_compiled() {
    assert!(Verb::ALL.iter().all(|verb| LARGE.form(*verb).is_some()));
    assert_eq!((LARGE.registers.len(), LARGE.commands.len()), (COUNT, Verb::ALL.len()));
    assert_eq!(LARGE.validate(), Ok(()));
}
