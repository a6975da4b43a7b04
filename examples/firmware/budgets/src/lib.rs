//! What the measuring images have in common: a bus without hardware, and the application that they are measured with.
//!
//! Nothing here may be known to the compiler: what an application would read from its inputs comes through
//! [`black_box`], and what it would write to its outputs goes there.
#![no_std]

pub mod application;
pub mod by_hand;
pub mod constant;

use core::convert::Infallible;
use core::hint::black_box;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use stepchain::chain::ConstantAnswers;
use stepchain::map::{ChainMap, RegisterMap};
use stepchain::units::Velocity;
use stepchain::{Chain, Command, Reply};

use application::DEVICES;

/// A bus of which the compiler knows nothing: what is sent may be looked at, what comes back may be anything.
#[derive(Debug)]
pub struct Bus;

/// Takes a frame out, and brings another one in its place.
#[inline(never)]
pub fn transfer(frame: &mut [u8]) {
    black_box(frame);
}

impl ErrorType for Bus {
    type Error = Infallible;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        for operation in operations {
            if let Operation::TransferInPlace(frame) = operation {
                transfer(frame);
            }
        }
        Ok(())
    }
}

impl embedded_hal_async::spi::SpiDevice for Bus {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        SpiDevice::transaction(self, operations)
    }
}

/// Waits for no time at all.
#[derive(Debug)]
pub struct NoTime;

impl DelayNs for NoTime {
    fn delay_ns(&mut self, time_ns: u32) {
        black_box(time_ns);
    }
}

impl embedded_hal_async::delay::DelayNs for NoTime {
    async fn delay_ns(&mut self, time_ns: u32) {
        black_box(time_ns);
    }
}

/// Velocities in 4096ths of a step per second that the compiler does not know.
pub fn velocities() -> [i32; DEVICES] {
    black_box([409_600, 1_234_567, 4_096, 2_000_000])
}

/// One command to each device, its velocity known at run time: whether it could be sent, and was answered.
pub fn exchange<M: RegisterMap>(chain: &mut Chain<M, Bus, DEVICES>, command: impl Fn(Velocity) -> Command) -> bool {
    let velocities = velocities();
    let mut are_well = true;
    let command = |device: usize| {
        let bits = velocities.get(device).copied().unwrap_or_default();
        command(Velocity::from_bits(i64::from(bits)).unwrap_or_default())
    };
    chain.exchange_each(command, |_, reply| are_well &= reply.is_ok()).is_ok() && are_well
}

/// Asks every device for its status: whether all could be read.
pub fn statuses<M: RegisterMap>(chain: &mut Chain<M, Bus, DEVICES>) -> bool {
    let mut words = [0; DEVICES];
    let mut are_well = true;
    let reply = |device: usize, reply| match (words.get_mut(device), reply) {
        (Some(word), Ok(Reply { status: Some(status), .. })) => *word = status.word() as u32,
        _ => are_well = false,
    };
    let is_exchanged = chain.exchange_each(|_| Command::PeekStatus, reply).is_ok();
    black_box(words);
    is_exchanged && are_well
}

/// Bytes that begin at a word of the processor's: what is copied by words is copied quickly, by hand as by the driver.
#[derive(Debug)]
#[repr(align(4))]
pub struct Aligned<T>(pub T);

/// Sends frames, and gives the last one as it came back.
pub fn send<const B: usize, const F: usize>(frames: &Aligned<[[u8; B]; F]>) -> [u8; B] {
    let mut buffer = Aligned([0; B]);
    for frame in &frames.0 {
        buffer.0 = *frame;
        let _ = Bus.transfer_in_place(&mut buffer.0);
    }
    buffer.0
}

/// The status words in the answers to a constant: whether all could be read.
pub fn words<M: ChainMap, E, const B: usize>(answers: Result<ConstantAnswers<'_, M, DEVICES, B>, E>) -> bool {
    let Ok(answers) = answers else {
        return false;
    };
    let mut words = [0; DEVICES];
    for (device, word) in words.iter_mut().enumerate() {
        match answers.status(device) {
            Some(Ok(status)) => *word = status.word() as u32,
            _ => return false,
        }
    }
    black_box(words);
    true
}
