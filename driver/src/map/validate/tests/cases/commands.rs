//! The cases of commands: their words, arguments and replies, and what tells them apart.

use super::*;

pub(super) fn all() -> Vec<(Flaw, Layout)> {
    [words(), arguments(), replies(), alike(), sequences()].concat()
}

cases! { words:
    Flaw::CommandTwice { command: RELEASE } =>
        only!(stop(&[Piece::fixed(16, 0x7000)]), stop(&[Piece::fixed(16, 0x7001)]));
    Flaw::NotBuffered { command: RELEASE } => only!(stop(&[Piece::fixed(16, 0x7000)]).buffered());
    Flaw::RequestEmpty { command: RELEASE } => also!(stop(&[]));
    Flaw::NotWholeUnits { command: RELEASE, of: "request", bits: 17, unit_bits: 16 } =>
        also!(stop(&[Piece::fixed(17, 0x7000)]));
    Flaw::NotWholeUnits { command: RELEASE, of: "reply", bits: 8, unit_bits: 16 } =>
        also!(stop(&[Piece::fixed(16, 0x7000)]).reply(&[Piece::any(8)]));
    // More units than any frame counter needs.
    Flaw::TooManyUnits { command: RELEASE, of: "request", units: 68 } => also!(stop(&[Piece::any(64); 17]));
    Flaw::NotOneWord { command: RELEASE, of: "request", bits: 96, word_bits: 48 } =>
        FIXED.commands(&[stop(&[Piece::fixed(64, 9), Piece::fixed(24, 0), Piece::Crc])]);
    // How long a fixed word is cannot hang on the register.
    Flaw::NotOneWord { command: RELEASE, of: "reply", bits: 40, word_bits: 48 } => FIXED.commands(&[
        stop(&[Piece::fixed(8, 9), Piece::fixed(32, 0), Piece::Crc]).reply(&[Piece::any(32), Piece::Crc])
    ]);
    Flaw::DataByRegister { command: "write parameter" } => FIXED.commands(&[CommandForm::word(
        Verb::WriteParameter,
        &[Piece::fixed(1, 1), Piece::address(7), Piece::DataByRegister, Piece::fixed(32, 0), Piece::Crc]
    )]);
    Flaw::PieceWidth { command: RELEASE } => also!(stop(&[Piece::fixed(16, 0x7000), Piece::any(0)]));
    Flaw::PieceWidth { command: RELEASE } => also!(stop(&[Piece::fixed(15, 0x3800), Piece::any(65)]));
    Flaw::PieceWidth { command: RELEASE } => also!(stop(&[Piece::fixed(96, 0x7000)]));
    Flaw::PieceWidth { command: RELEASE } => also!(stop(&[Piece::fixed(7, 0x70), Piece::axis(9)]));
    Flaw::PieceWidth { command: "read parameter" } => only!(
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(15, 0x10), Piece::address(17)])
            .reply(&[Piece::DataByRegister])
    );
    Flaw::PieceWidth { command: "move relative" } => also!(CommandForm::word(
        RELATIVE,
        &[Piece::fixed(8, 0x70), Piece::distance(Coding::signed(16, Encoding::Raw)).part(0, 24)]
    ));
    // The second command, whose width the first must not be compared by.
    Flaw::PieceWidth { command: "take status" } => only!(
        PEEK,
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(112, 0x3001)]).reply(&[Piece::status(16)])
    );
    Flaw::FixedValue { command: RELEASE } => also!(stop(&[Piece::fixed(8, 0x70), Piece::fixed(8, 0x100)]));
    Flaw::CrcMissing { command: RELEASE } => also!(stop(&[Piece::fixed(8, 0x70), Piece::Crc]));
    Flaw::CrcNotLast { command: RELEASE } =>
        FIXED.commands(&[stop(&[Piece::Crc, Piece::fixed(40, 0x70)])]);
    Flaw::CrcLeftOut { command: RELEASE } => FIXED.commands(&[stop(&[Piece::fixed(48, 0x70)])]);
    Flaw::AddressWidth { command: "read parameter", register: "stall limit", found: 8, expected: 9 } =>
        beside!(Register::new(Parameter::StallLimit, 0x100, 8));
    Flaw::DataWidth { command: "read parameter", register: "position demand value", found: 16, expected: 24 } => only!(
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x10), Piece::address(8)]).reply(&[Piece::data(16)])
    );
    Flaw::DataWidth { command: "write parameter", register: "position demand value", found: 16, expected: 24 } => only!(
        READ,
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0x20), Piece::address(8), Piece::data(16)])
    );
    // The device could not know where the data end.
    Flaw::DataBeforeAddress { command: "write parameter" } => only!(CommandForm::word(
        Verb::WriteParameter,
        &[Piece::fixed(8, 0x20), Piece::DataByRegister, Piece::address(8)]
    ));
}

cases! { arguments:
    Flaw::ArgumentMissing { command: "read parameter", argument: "address" } => only!(
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(16, 0x1000)]).reply(&[Piece::DataByRegister])
    );
    Flaw::ArgumentMissing { command: "write parameter", argument: "data" } =>
        only!(CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0x20), Piece::address(8)]));
    Flaw::ArgumentMissing { command: "move relative", argument: "distance" } =>
        also!(CommandForm::word(RELATIVE, &[Piece::fixed(15, 0x70), Piece::direction(true)]));
    Flaw::ArgumentMissing { command: "move relative", argument: "direction" } => also!(CommandForm::word(
        RELATIVE,
        &[Piece::fixed(8, 0x70), Piece::distance(Coding::new(8, Encoding::Raw))]
    ));
    Flaw::ArgumentMissing { command: "move absolute, positive way", argument: "target position" } =>
        also!(CommandForm::word(Verb::MoveAbsolute(Way::Positive), &[Piece::fixed(16, 0x7000)]));
    Flaw::ArgumentForeign { command: RELEASE, argument: "address" } =>
        also!(stop(&[Piece::fixed(8, 0x70), Piece::address(8)]));
    Flaw::ArgumentForeign { command: RELEASE, argument: "data" } =>
        also!(stop(&[Piece::fixed(8, 0x70), Piece::data(8)]));
    Flaw::ArgumentForeign { command: RELEASE, argument: "velocity" } =>
        also!(stop(&[Piece::fixed(8, 0x70), Piece::velocity(Coding::signed(8, Encoding::Raw))]));
    Flaw::ArgumentForeign { command: RELEASE, argument: "status in its request" } =>
        also!(stop(&[Piece::fixed(8, 0x70), Piece::status(8)]));
    // With a sign of its own the velocity would have two.
    Flaw::ArgumentForeign { command: "move velocity", argument: "direction" } => only!(CommandForm::word(
        Verb::MoveVelocity,
        &[Piece::fixed(7, 0x20), Piece::direction(true), Piece::velocity(Coding::signed(24, Encoding::Raw))]
    ));
    Flaw::ArgumentTwice { command: "read parameter", argument: "address" } => only!(
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x10), Piece::address(8), Piece::address(16)])
            .reply(&[Piece::DataByRegister])
    );
    Flaw::ArgumentTwice { command: "write parameter", argument: "data" } => only!(CommandForm::word(
        Verb::WriteParameter,
        &[Piece::fixed(8, 0x20), Piece::address(8), Piece::DataByRegister, Piece::data(16)]
    ));
    // Bits 8 to 16 of the code are sent nowhere.
    Flaw::Parts { command: "move relative" } => also!(CommandForm::word(
        RELATIVE,
        &[
            Piece::fixed(8, 0x70),
            Piece::distance(Coding::signed(24, Encoding::Raw)).part(0, 8),
            Piece::distance(Coding::signed(24, Encoding::Raw)).part(16, 8),
            Piece::any(8)
        ]
    ));
    Flaw::Parts { command: "move relative" } => also!(CommandForm::word(
        RELATIVE,
        &[
            Piece::fixed(8, 0x70),
            Piece::distance(Coding::signed(16, Encoding::Raw)),
            Piece::distance(Coding::signed(16, Encoding::Raw)).part(0, 8)
        ]
    ));
    // Half of the code in one scale, half in another.
    Flaw::Parts { command: "move relative" } => also!(CommandForm::word(
        RELATIVE,
        &[
            Piece::fixed(16, 0x7000),
            Piece::distance(Coding::signed(16, Encoding::Raw)).part(0, 8),
            Piece::distance(Coding::signed(16, Encoding::linear(2, 1))).part(8, 8)
        ]
    ));
    Flaw::Parts { command: "write parameter" } => only!(CommandForm::word(
        Verb::WriteParameter,
        &[Piece::fixed(8, 0x20), Piece::address(8), Piece::data_part(16, 16)]
    ));
}

cases! { replies:
    Flaw::ReplyMissing { command: "read parameter" } =>
        only!(CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x10), Piece::address(8)]));
    Flaw::ReplyMissing { command: "peek status" } =>
        only!(CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0x3000)]).reply(&[Piece::any(16)]));
    // That the device has started anew is cleared and never told.
    Flaw::ReplyMissing { command: "take status" } => only!(
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(16, 0x3001)]).reply(&[Piece::any(15), Piece::status(1)])
    );
    Flaw::Parts { command: "peek status" } => only!(
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0x3000)])
            .reply(&[Piece::status(16), Piece::any(8), Piece::status(8)])
    );
    Flaw::ArgumentForeign { command: "peek status", argument: "data in its reply" } => only!(
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0x3000)]).reply(&[Piece::status(8), Piece::data(8)])
    );
    Flaw::ArgumentForeign { command: "peek status", argument: "register's address in its reply" } => only!(
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0x3000)]).reply(&[Piece::status(8), Piece::address(8)])
    );
    Flaw::ArgumentForeign { command: "peek status", argument: "direction in its reply" } => only!(
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0x3000)])
            .reply(&[Piece::status(15), Piece::direction(true)])
    );
    Flaw::ArgumentForeign { command: "move absolute, shortest way", argument: "argument in its reply" } =>
        only!(TO.reply(&[Piece::position(Coding::signed(16, Encoding::Raw))]));
    Flaw::ArgumentTwice { command: "read parameter", argument: "data in its reply" } => only!(
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x10), Piece::address(8)])
            .reply(&[Piece::DataByRegister, Piece::data(32)])
    );
}

cases! { alike:
    Flaw::OpcodeShadowed { first: "filler", second: RELEASE } => also!(stop(&[Piece::fixed(16, 0)]));
    Flaw::OpcodeShadowed { first: "take status", second: RELEASE } => also!(stop(&[Piece::fixed(16, 0x3001)]));
    // Ignored bits tell nothing apart.
    Flaw::OpcodeShadowed { first: "peek status", second: RELEASE } =>
        also!(stop(&[Piece::fixed(8, 0x30), Piece::any(8)]));
    // The first unit of a longer word is a whole command already.
    Flaw::OpcodeShadowed { first: "take status", second: RELEASE } =>
        also!(stop(&[Piece::fixed(16, 0x3001), Piece::fixed(16, 0x7777)]));
    Flaw::OpcodeShadowed { first: "filler", second: RELEASE } =>
        also!(stop(&[Piece::fixed(16, 0), Piece::fixed(16, 0x7777)]));
    // A velocity may have any bits.
    Flaw::OpcodeShadowed { first: "move velocity", second: RELEASE } =>
        also!(stop(&[Piece::fixed(8, 0x40), Piece::fixed(24, 0x7777)]));
    Flaw::OpcodeShadowed { first: "read parameter", second: "write parameter" } => only!(
        READ,
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0x10), Piece::address(8), Piece::DataByRegister])
    );
    // What follows data of unknown length is at no known place.
    Flaw::OpcodeShadowed { first: "read parameter", second: "write parameter" } => only!(
        READ,
        CommandForm::word(
            Verb::WriteParameter,
            &[Piece::fixed(8, 0x10), Piece::address(8), Piece::DataByRegister, Piece::fixed(16, 1)]
        )
    );
    // Reading address 0 is the filler, reading address 3 takes the status.
    Flaw::OpcodeShadowed { first: "filler", second: "read parameter" } =>
        FIXED.registers(&[KINDS, TARGET, RATE, Register::new(Parameter::StallLimit, 0, 8)]);
    Flaw::OpcodeShadowed { first: "read parameter", second: RELEASE } => FIXED.commands(&[
        FIXED_READ, FIXED_WRITE, MOVE, RUN,
        stop(&[Piece::fixed(8, 6), Piece::fixed(32, 0), Piece::Crc])
    ]);
}

cases! { sequences:
    Flaw::WriteUnknown { command: RELEASE, parameter: Parameter::StallLimit } =>
        by_writes!(STOP, Write::code(Parameter::StallLimit, 1));
    Flaw::WriteUnknown { command: RELEASE, parameter: Parameter::Custom(77) } =>
        by_writes!(STOP, Write::code(Parameter::Custom(77), 1));
    Flaw::WriteReadOnly { command: RELEASE, register: "motion kind" } =>
        FIXED.registers(&[KINDS.access(Access::ReadOnly)])
            .commands(&[FIXED_READ, FIXED_WRITE, CommandForm::writes(STOP, &[Write::code(KIND, 1)])]);
    Flaw::WriteShared { command: "move absolute, shortest way", register: "motion kind" } =>
        FIXED.registers(&[KINDS, TARGET, RATE, Register::new(Parameter::StallLimit, 5, 8).at_bit(4)]);
    Flaw::WriteShared { command: RELEASE, register: "motion kind" } => by_writes!(STOP, Write::code(KIND, 16));
    // Four bits hold it, but the register knows no code above 9.
    Flaw::WriteShared { command: RELEASE, register: "motion kind" } => by_writes!(STOP, Write::code(KIND, 10));
    Flaw::WriteShared { command: "move velocity", register: "motion kind" } => by_writes!(
        Verb::MoveVelocity,
        Write::direction(KIND, 2, 2),
        Write::argument(Parameter::TargetVelocity)
    );
    Flaw::WriteUnit { command: "move velocity", register: "target position" } => by_writes!(
        Verb::MoveVelocity,
        Write::argument(Parameter::TargetPosition),
        Write::code(KIND, 1)
    );
    Flaw::WriteUnit { command: "move relative", register: "target velocity" } =>
        by_writes!(RELATIVE, Write::argument(Parameter::TargetVelocity), Write::code(KIND, 1));
    Flaw::WriteNoForm { command: RELEASE } => FIXED
        .commands(&[FIXED_READ, CommandForm::writes(STOP, &[Write::code(KIND, 1)])]);
    Flaw::NotByWrites { command: "write parameter" } =>
        FIXED.commands(&[FIXED_READ, CommandForm::writes(Verb::WriteParameter, &[Write::code(KIND, 1)])]);
    Flaw::NotByWrites { command: "take status" } => by_writes!(Verb::TakeStatus, Write::code(KIND, 1));
    Flaw::NotByWrites { command: RELEASE } => FIXED.commands(&[
        FIXED_READ, FIXED_WRITE,
        CommandForm::writes(STOP, &[Write::code(KIND, 1)]).reply(&[Piece::any(40), Piece::Crc])
    ]);
    Flaw::WriteCount { command: RELEASE, found: 0 } => by_writes!(STOP,);
    Flaw::WriteCount { command: RELEASE, found: 9 } =>
        FIXED.commands(&[FIXED_READ, FIXED_WRITE, CommandForm::writes(STOP, &[Write::code(KIND, 1); 9])]);
    Flaw::ArgumentMissing { command: "move relative", argument: "argument" } =>
        by_writes!(RELATIVE, Write::code(KIND, 1));
    Flaw::ArgumentMissing { command: "move velocity", argument: "direction" } =>
        FIXED.registers(&[KINDS, TARGET, Register::new(Parameter::TargetVelocity, 7, 24)]);
    Flaw::ArgumentForeign { command: "move absolute, shortest way", argument: "direction" } => by_writes!(
        Verb::MoveAbsolute(Way::Shortest),
        Write::direction(KIND, 1, 2),
        Write::argument(Parameter::TargetPosition)
    );
    // Kind 3 would set it going towards the old target.
    Flaw::SetsGoingEarly { command: "move absolute, shortest way" } => by_writes!(
        Verb::MoveAbsolute(Way::Shortest),
        Write::code(KIND, 3),
        Write::argument(Parameter::TargetPosition),
        Write::code(KIND, 3)
    );
    Flaw::OpcodeShadowed { first: "move absolute, shortest way", second: RELEASE } => FIXED.commands(&[
        FIXED_READ, FIXED_WRITE, MOVE,
        CommandForm::writes(STOP, &[Write::code(KIND, 3)])
    ]);
    // On the way to the stop, the move would begin.
    Flaw::OpcodeShadowed { first: "move absolute, shortest way", second: RELEASE } => FIXED.commands(&[
        FIXED_READ, FIXED_WRITE, MOVE,
        CommandForm::writes(STOP, &[Write::code(KIND, 3), Write::code(KIND, 4)])
    ]);
    // Any velocity may be the code of the stop.
    Flaw::OpcodeShadowed { first: RELEASE, second: "move velocity" } => FIXED.commands(&[
        FIXED_READ, FIXED_WRITE,
        CommandForm::writes(STOP, &[Write::code(Parameter::TargetVelocity, 0)]),
        CommandForm::writes(Verb::MoveVelocity, &[Write::argument(Parameter::TargetVelocity)])
    ]);
}
