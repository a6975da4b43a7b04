//! What was recorded beside what a mocked bus saw, and that the bus sees the same with and without a recorder.

#[cfg(feature = "async")]
mod dropped;
mod dump;

extern crate std;
use std::cell::Cell;
use std::format;
use std::string::String;
use std::thread_local;
use std::vec;
use std::vec::Vec;

use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use embedded_hal_mock::eh1::spi::{Mock, Transaction};
use proptest::prelude::*;

use super::Recorder;

/// A bus that expects these operations in one transaction.
fn bus(operations: Vec<Transaction<u8>>) -> Mock<u8> {
    let mut expected = vec![Transaction::transaction_start()];
    expected.extend(operations);
    expected.push(Transaction::transaction_end());
    Mock::new(&expected)
}

fn dumped<S, const FRAMES: usize, const BYTES: usize>(recorder: &Recorder<S, FRAMES, BYTES>) -> String {
    let mut text = String::new();
    recorder.dump(&mut text).unwrap();
    text
}

/// A bus that fails whenever the first byte sent is 0xEE, and else answers every byte with its complement.
struct Fickle;

impl ErrorType for Fickle {
    type Error = ErrorKind;
}

impl SpiDevice for Fickle {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        for operation in operations {
            let Operation::TransferInPlace(bytes) = operation else { continue };
            if bytes.first() == Some(&0xEE) {
                bytes.fill(0x55);
                return Err(ErrorKind::Overrun);
            }
            bytes.iter_mut().for_each(|byte| *byte = !*byte);
        }
        Ok(())
    }
}

/// By hand: the transfer of three bytes out and two in, and of one out and two in, take the longer of both; the delay
/// takes none.
#[test]
fn operations_of_one_transaction_make_one_frame_whose_two_rows_line_up() {
    let spi = bus(vec![
        Transaction::write_vec(vec![0xA5, 0x5A]),
        Transaction::read_vec(vec![0x11, 0x22]),
        Transaction::delay(700),
        Transaction::transfer(vec![1, 2, 3], vec![4, 5, 6]),
        Transaction::transfer_in_place(vec![0x7E], vec![0x80]),
    ]);
    let mut recorder = Recorder::<_, 1, 16>::new(spi);
    let (mut read, mut into, mut in_place) = ([0; 2], [0; 3], [0x7E]);
    recorder
        .transaction(&mut [
            Operation::Write(&[0xA5, 0x5A]),
            Operation::Read(&mut read),
            Operation::DelayNs(700),
            Operation::Transfer(&mut into, &[1, 2, 3]),
            Operation::TransferInPlace(&mut in_place),
        ])
        .unwrap();
    assert_eq!((read, into, in_place), ([0x11, 0x22], [4, 5, 6], [0x80]), "the caller gets what the bus answered");
    let frame = recorder.frames().next().unwrap();
    assert_eq!(frame.mosi(), [0xA5, 0x5A, 0, 0, 1, 2, 3, 0x7E]);
    assert_eq!(frame.miso(), [0, 0, 0x11, 0x22, 4, 5, 6, 0x80]);
    assert_eq!((frame.length(), frame.is_cut(), frame.has_failed()), (8, false, false));
    recorder.release().done();
}

#[test]
fn a_transfer_of_unlike_lengths_takes_the_longer_of_both() {
    struct Silent;
    impl ErrorType for Silent {
        type Error = ErrorKind;
    }
    impl SpiDevice for Silent {
        fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
            for operation in operations {
                if let Operation::Transfer(into, _) = operation {
                    into.fill(0x33);
                }
            }
            Ok(())
        }
    }
    let mut recorder = Recorder::<_, 1, 16>::new(Silent);
    let (mut two, mut one) = ([0; 2], [0; 1]);
    recorder
        .transaction(&mut [Operation::Transfer(&mut two, &[1, 2, 3]), Operation::Transfer(&mut one, &[4]), {
            Operation::Write(&[5])
        }])
        .unwrap();
    let frame = recorder.frames().next().unwrap();
    assert_eq!(frame.mosi(), [1, 2, 3, 4, 5]);
    assert_eq!(frame.miso(), [0x33, 0x33, 0, 0x33, 0]);
}

#[test]
fn the_short_calls_reach_the_bus_as_one_transaction_each() {
    let mut expected = Vec::new();
    for operation in [
        Transaction::write_vec(vec![1]),
        Transaction::read_vec(vec![2]),
        Transaction::transfer(vec![3], vec![4]),
        Transaction::transfer_in_place(vec![5], vec![6]),
    ] {
        expected.extend([Transaction::transaction_start(), operation, Transaction::transaction_end()]);
    }
    let mut recorder = Recorder::<_, 4, 4>::new(Mock::new(&expected));
    recorder.write(&[1]).unwrap();
    recorder.read(&mut [0]).unwrap();
    recorder.transfer(&mut [0], &[3]).unwrap();
    recorder.transfer_in_place(&mut [5]).unwrap();
    assert_eq!(dumped(&recorder), "time_s,frame,mosi,miso\n0,0,01,\n1,1,00,02\n2,2,03,04\n3,3,05,06\n");
    recorder.release().done();
}

#[test]
fn the_ring_keeps_the_last_frames_with_their_numbers_the_oldest_first() {
    let mut recorder = Recorder::<_, 3, 1>::new(Fickle);
    assert_eq!(recorder.frames().count(), 0);
    for byte in 0..8u8 {
        recorder.transfer_in_place(&mut [byte]).unwrap();
        let numbers: Vec<_> = recorder.frames().map(|frame| (frame.number(), frame.mosi()[0])).collect();
        let first = byte.saturating_sub(2);
        assert_eq!(numbers, (first..=byte).map(|byte| (u32::from(byte), byte)).collect::<Vec<_>>());
    }
    assert_eq!(recorder.count(), 8);
}

#[test]
fn a_frame_that_is_too_long_keeps_its_first_bytes_and_says_so() {
    let mut recorder = Recorder::<_, 2, 4>::new(Fickle);
    recorder.transfer_in_place(&mut [1, 2, 3, 4]).unwrap();
    recorder
        .transaction(&mut [Operation::TransferInPlace(&mut [9, 8, 7]), Operation::TransferInPlace(&mut [6, 5])])
        .unwrap();
    let frames: Vec<_> = recorder.frames().collect();
    assert!(!frames[0].is_cut(), "what just fits is whole");
    assert!(frames[1].is_cut());
    assert_eq!(frames[1].length(), 5);
    assert_eq!(frames[1].mosi(), [9, 8, 7, 6]);
    assert_eq!(frames[1].miso(), [!9, !8, !7, !6]);
}

#[test]
fn a_frame_that_failed_has_what_was_to_be_sent_and_no_reply() {
    let mut recorder = Recorder::<_, 2, 4>::new(Fickle);
    assert_eq!(recorder.transfer_in_place(&mut [0xEE, 1]), Err(ErrorKind::Overrun), "the bus's own error comes back");
    recorder.transfer_in_place(&mut [2]).unwrap();
    let frames: Vec<_> = recorder.frames().collect();
    assert!(frames[0].has_failed());
    assert_eq!((frames[0].mosi(), frames[0].miso()), (&[0xEE, 1][..], &[][..]));
    assert!(!frames[1].has_failed());
    assert_eq!(dumped(&recorder), "time_s,frame,mosi,miso\n0,0,ee01,\n1,1,02,fd\n");
}

#[test]
fn a_transaction_without_operations_is_a_frame_without_bytes() {
    let mut recorder = Recorder::<_, 2, 4>::new(bus(vec![]));
    recorder.transaction(&mut []).unwrap();
    assert_eq!(dumped(&recorder), "time_s,frame,mosi,miso\n0,0,,\n");
    recorder.release().done();
}

thread_local! {
    static NOW_NS: Cell<u64> = const { Cell::new(0) };
}

/// By hand: 12 000 000 345 ns are 12.000000345 s.
#[test]
fn a_clock_gives_each_line_the_time_at_which_its_transaction_began() {
    let mut recorder = Recorder::<_, 2, 4>::new(Fickle).with_clock(|| NOW_NS.get());
    for now in [7, 12_000_000_345] {
        NOW_NS.set(now);
        recorder.transfer_in_place(&mut [0]).unwrap();
        NOW_NS.set(0);
    }
    assert_eq!(dumped(&recorder), "time_s,frame,mosi,miso\n0.000000007,0,00,ff\n12.000000345,1,00,ff\n");
    assert_eq!(recorder.frames().last().unwrap().time_ns(), Some(12_000_000_345));
}

/// A recorder lent to a chain is there again when the chain is gone.
#[cfg(feature = "reference-maps")]
#[test]
fn a_recorder_holds_the_frames_that_a_chain_exchanged() {
    use crate::reference::Latched;
    use crate::{Chain, Command};

    let mut recorder = Recorder::<_, 8, 8>::new(Fickle);
    let mut chain = Chain::<Latched, _, 2>::new(&mut recorder);
    let replies = chain.send(&[Command::PeekStatus, Command::Filler]).unwrap();
    // By hand: peek is 0xE000 and filler 0x7E7E; the bus answers filler with its complement, 0x8181.
    assert_eq!(replies[0].status.unwrap().word(), 0x8181);
    assert_eq!(dumped(&recorder), "time_s,frame,mosi,miso\n0,0,7e7ee000,81811fff\n1,1,7e7e7e7e,81818181\n");
}

/// One operation: 0 to 3 for write, read, transfer and transfer in place, with what is sent and answered.
fn operation() -> impl Strategy<Value = (u8, Vec<(u8, u8)>)> {
    (0..4u8, prop::collection::vec(any::<(u8, u8)>(), 1..6))
}

proptest! {
    /// The mock checks what reaches the bus; the record is worked out apart, operation by operation.
    #[test]
    fn what_was_recorded_is_what_the_bus_saw(
        transactions in prop::collection::vec(prop::collection::vec(operation(), 0..4), 0..12)
    ) {
        let mut expected = Vec::new();
        let mut rows = Vec::new();
        for operations in &transactions {
            expected.push(Transaction::transaction_start());
            let (mut mosi, mut miso) = (Vec::new(), Vec::new());
            for (kind, bytes) in operations {
                let (out, back): (Vec<u8>, Vec<u8>) = bytes.iter().copied().unzip();
                let zeros = vec![0; bytes.len()];
                expected.push(match kind {
                    0 => Transaction::write_vec(out.clone()),
                    1 => Transaction::read_vec(back.clone()),
                    2 => Transaction::transfer(out.clone(), back.clone()),
                    _ => Transaction::transfer_in_place(out.clone(), back.clone()),
                });
                mosi.extend(if *kind == 1 { &zeros } else { &out });
                miso.extend(if *kind == 0 { &zeros } else { &back });
            }
            if operations.iter().all(|(kind, _)| *kind == 0) {
                miso.clear();
            }
            expected.push(Transaction::transaction_end());
            mosi.truncate(10);
            miso.truncate(10);
            rows.push((mosi, miso));
        }
        let mut recorder = Recorder::<_, 5, 10>::new(Mock::new(&expected));
        for operations in &transactions {
            let mut buffers: Vec<(u8, Vec<u8>, Vec<u8>)> = operations
                .iter()
                .map(|(kind, bytes)| (*kind, bytes.iter().map(|(out, _)| *out).collect(), vec![0; bytes.len()]))
                .collect();
            let mut operations: Vec<_> = buffers
                .iter_mut()
                .map(|(kind, out, into)| match kind {
                    0 => Operation::Write(out),
                    1 => Operation::Read(into),
                    2 => Operation::Transfer(into, out),
                    _ => Operation::TransferInPlace(out),
                })
                .collect();
            recorder.transaction(&mut operations).unwrap();
        }
        let kept: Vec<_> = recorder.frames().map(|frame| (frame.mosi().to_vec(), frame.miso().to_vec())).collect();
        prop_assert_eq!(&kept, &rows[rows.len().saturating_sub(5)..]);
        let lines = dumped(&recorder);
        for (line, (mosi, miso)) in lines.lines().skip(1).zip(&kept) {
            let hex = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
            let tail = format!("{},{}", hex(mosi), hex(miso));
            prop_assert!(line.ends_with(&tail), "{} has not {}", line, tail);
        }
        recorder.release().done();
    }
}
