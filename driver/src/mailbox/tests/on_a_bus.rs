//! Pumping a real chain: bytes on the wire, failures of the bus, and a bus that is slow.

extern crate std;
use std::string::ToString;
use std::sync::mpsc;
use std::thread;
use std::time::Duration;
use std::vec;

use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use embedded_hal_mock::eh1::spi::{Mock, Transaction};

use super::{STOP, at, by};
use crate::chain::DeviceError;
use crate::mailbox::PumpFault;
use crate::map::{BridgeState, Flag, StopRamp, Verb, Way};
use crate::reference::{FixedWord, Latched};
use crate::units::{Position, Value, Velocity};
use crate::{Chain, Command, CommandError, Error, Mailbox};

fn frame(mosi: &[u8], miso: &[u8]) -> [Transaction<u8>; 3] {
    let transfer = Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec());
    [Transaction::transaction_start(), transfer, Transaction::transaction_end()]
}

/// A bus that answers zeros, and fails in the transactions that it is told to.
struct Fickle {
    fails: &'static [bool],
    sent: std::vec::Vec<std::vec::Vec<u8>>,
}

impl ErrorType for Fickle {
    type Error = ErrorKind;
}

impl SpiDevice for Fickle {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        let [Operation::TransferInPlace(bytes)] = operations else { panic!("not one transfer in place") };
        let fails = self.fails.get(self.sent.len()).copied().unwrap_or(false);
        self.sent.push(bytes.to_vec());
        bytes.fill(0);
        if fails { Err(ErrorKind::ModeFault) } else { Ok(()) }
    }
}

/// By hand: quick stop with driven bridges is 0x3A18, peek 0xE000, filler 0x7E7E; the status comes one frame later. Bit
/// 8 is "command rejected".
#[test]
fn one_pump_is_one_exchange_for_all_devices_and_a_look_at_those_that_may_have_refused() {
    let expected = [
        frame(&[0xE0, 0x00, 0x7E, 0x7E, 0x3A, 0x18], &[0; 6]),
        frame(&[0x7E; 6], &[0x81, 0x0D, 0, 0, 0, 0]),
        frame(&[0x7E, 0x7E, 0x7E, 0x7E, 0xE0, 0x00], &[0; 6]),
        frame(&[0x7E; 6], &[0, 0, 0, 0, 0x80, 0x01]),
        frame(&[0x3A, 0x18, 0x7E, 0x7E, 0x7E, 0x7E], &[0; 6]),
        frame(&[0xE0, 0x00, 0x7E, 0x7E, 0x7E, 0x7E], &[0; 6]),
        frame(&[0x7E; 6], &[0x81, 0x01, 0, 0, 0, 0]),
    ];
    let mut chain = Chain::<Latched, _, 3>::new(Mock::new(&expected.concat()));
    let mailbox = Mailbox::<3, 2>::new();
    mailbox.post(0, STOP).unwrap();
    let ticket = mailbox.post(2, Command::PeekStatus).unwrap();
    mailbox.post(2, STOP).unwrap();
    let [first, second, third] = mailbox.pump(&mut chain).unwrap();
    let first = first.unwrap();
    assert_eq!((first.posted.command, first.result.is_ok()), (STOP.on(0), true));
    assert_eq!(second, None);
    let third = third.unwrap();
    assert_eq!(third.posted.ticket, ticket);
    assert_eq!(third.result.unwrap().status.unwrap().word(), 0x810D);
    let refused = mailbox.pump(&mut chain).unwrap()[2].unwrap();
    let verb = Verb::Stop(StopRamp::Quick, BridgeState::Driven);
    assert_eq!(refused.result, Err(DeviceError::Rejected { verb, flag: Flag::CommandRejected }));
    assert_eq!(mailbox.pump(&mut chain).unwrap(), [None; 3], "and nothing is sent");
    chain.release().done();
}

/// By hand: 100 steps/s is 0xB400, 0x1388; 3 microsteps forwards are 0x6800, 0x0003.
#[test]
fn when_the_bus_fails_a_velocity_is_sent_again_before_later_ones_and_a_distance_comes_back() {
    let fickle = Fickle { fails: &[false, true], sent: vec![] };
    let mut chain = Chain::<Latched, _, 2>::new(fickle);
    let mailbox = Mailbox::<2, 2>::new();
    mailbox.post(0, at(100)).unwrap();
    mailbox.post(0, STOP).unwrap();
    let ticket = mailbox.post(1, by(3)).unwrap();
    let error = mailbox.pump(&mut chain).unwrap_err();
    assert_eq!(error.error, PumpFault::Chain(Error::Spi(ErrorKind::ModeFault)));
    assert_eq!(error.given_back[0], None);
    let back = error.given_back[1].unwrap();
    assert_eq!((back.ticket, back.command), (ticket, by(3).on(0)));
    assert!(error.to_string().ends_with("; 1 of the posted commands will not be sent again"), "{error}");
    mailbox.pump(&mut chain).unwrap();
    mailbox.pump(&mut chain).unwrap();
    let sent = chain.release().sent;
    assert_eq!(sent[..2], [[0x68, 0x00, 0xB4, 0x00], [0x00, 0x03, 0x13, 0x88]]);
    assert_eq!(sent[2..5], [[0x7E; 4]; 3], "the devices are brought into step");
    assert_eq!(sent[5..7], [[0x7E, 0x7E, 0xB4, 0x00], [0x7E, 0x7E, 0x13, 0x88]]);
    let look = [[0x7E, 0x7E, 0xE0, 0x00], [0x7E; 4]];
    assert_eq!(sent[7..9], look);
    assert_eq!(sent[9..10], [[0x7E, 0x7E, 0x3A, 0x18]]);
    assert_eq!(sent[10..], look);
}

/// A target of 2²³ is beyond the 24 bits of the position counter.
#[test]
fn a_command_that_cannot_be_encoded_comes_back_and_holds_nobody_up() {
    let look = [frame(&[0xE0, 0x00, 0xE0, 0x00], &[0; 4]), frame(&[0x7E; 4], &[0x80, 0x01, 0x80, 0x01])];
    let expected = [&frame(&[0x3A, 0x18, 0x3A, 0x18], &[0; 4])[..], &look.concat()].concat();
    let mut chain = Chain::<Latched, _, 2>::new(Mock::new(&expected));
    let mailbox = Mailbox::<2, 2>::new();
    let far = Command::MoveAbsolute { target: Position::from_microsteps(1 << 23), way: Way::Shortest };
    let ticket = mailbox.post(0, far).unwrap();
    mailbox.post(0, STOP).unwrap();
    mailbox.post(1, STOP).unwrap();
    let error = mailbox.pump(&mut chain).unwrap_err();
    let PumpFault::Chain(Error::Command { device: 0, error: cause }) = error.error else { panic!("{error}") };
    assert!(matches!(cause, CommandError::OutOfRange { .. }), "{error}");
    assert_eq!(error.given_back.map(|posted| posted.map(|posted| posted.ticket)), [Some(ticket), None]);
    let answers = mailbox.pump(&mut chain).unwrap();
    assert_eq!(answers.map(|answer| answer.unwrap().posted.command), [STOP.on(0); 2]);
    chain.release().done();
}

/// Nothing of the first pump was sent, so a distance cannot arrive twice. By hand: 3 microsteps forwards are 0x6800, 0x0003.
#[test]
fn what_must_not_arrive_twice_still_leaves_after_a_neighbours_command_could_not_be_encoded() {
    let expected = [
        frame(&[0x7E, 0x7E, 0x68, 0x00], &[0; 4]),
        frame(&[0x7E, 0x7E, 0x00, 0x03], &[0; 4]),
        frame(&[0x7E, 0x7E, 0xE0, 0x00], &[0; 4]),
        frame(&[0x7E; 4], &[0, 0, 0x80, 0x01]),
    ];
    let mut chain = Chain::<Latched, _, 2>::new(Mock::new(&expected.concat()));
    let mailbox = Mailbox::<2, 2>::new();
    let ticket = mailbox.post(0, by(3)).unwrap();
    let far = Command::MoveAbsolute { target: Position::from_microsteps(1 << 23), way: Way::Shortest };
    mailbox.post(1, far).unwrap();
    let error = mailbox.pump(&mut chain).unwrap_err();
    assert_eq!(error.given_back.map(|posted| posted.map(|posted| posted.command)), [None, Some(far.on(0))]);
    let [answer, none] = mailbox.pump(&mut chain).unwrap();
    assert_eq!((answer.unwrap().posted.ticket, none), (ticket, None));
    assert_eq!(mailbox.pump(&mut chain), Ok([None; 2]));
    chain.release().done();
}

/// While the bus transfers, another thread posts and is waited for: it could not if the pump held the critical section.
#[test]
fn posters_get_in_while_the_bus_transfers() {
    static MAILBOX: Mailbox<1, 4> = Mailbox::new();
    struct Slow(usize);
    impl ErrorType for Slow {
        type Error = ErrorKind;
    }
    impl SpiDevice for Slow {
        fn transaction(&mut self, _: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
            if self.0 == 0 {
                let (posted, waiting) = mpsc::channel();
                thread::spawn(move || posted.send(MAILBOX.post(0, by(2)).is_ok()));
                assert_eq!(waiting.recv_timeout(Duration::from_secs(20)), Ok(true), "the poster was kept out");
            }
            self.0 += 1;
            Ok(())
        }
    }
    let mut chain = Chain::<Latched, _, 1>::new(Slow(0));
    MAILBOX.post(0, STOP).unwrap();
    assert_eq!(MAILBOX.pump(&mut chain).unwrap()[0].unwrap().posted.command, STOP.on(0));
    assert_eq!(MAILBOX.pump(&mut chain).unwrap()[0].unwrap().posted.command, by(2).on(0));
}

/// By hand: 600 steps/s is 600 · 1000 / 3 = 200 000 = 0x030D40. The check is CRC-8/AUTOSAR by an outside crate.
#[test]
fn a_value_that_was_read_through_the_mailbox_reaches_the_owner() {
    use crate::map::Parameter;
    struct Replies;
    impl ErrorType for Replies {
        type Error = ErrorKind;
    }
    impl SpiDevice for Replies {
        fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
            let [Operation::TransferInPlace(bytes)] = operations else { panic!("not one transfer in place") };
            bytes.copy_from_slice(&[0x00, 0x00, 0x03, 0x0D, 0x40, 0x00]);
            bytes[5] = crc::Crc::<u8>::new(&crc::CRC_8_AUTOSAR).checksum(&bytes[..5]);
            Ok(())
        }
    }
    let mut chain = Chain::<FixedWord, _, 1>::new(Replies);
    let mailbox = Mailbox::<1, 1>::new();
    mailbox.post(0, Command::read(Parameter::ProfileVelocity)).unwrap();
    let [answer] = mailbox.pump(&mut chain).unwrap();
    let velocity = Velocity::from_steps_per_s(600).unwrap();
    assert_eq!(answer.unwrap().result.unwrap().value, Some(Value::Velocity(velocity)));
}
