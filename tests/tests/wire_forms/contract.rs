//! Whether our SPI devices, and devices made of our bus and pin, keep what embedded-hal promises.
//!
//! Source: embedded-hal 1.0, documentation of the module `spi` ("Flushing"), of `SpiDevice::transaction`, of `Operation`
//! and of `SpiBus`; beside each check stands what it says. One body of checks, async; what is blocking goes through [`Blocking`].

use embassy_futures::block_on;
use embedded_hal::digital::StatefulOutputPin;
use embedded_hal::spi::{ErrorKind, ErrorType, Operation};
use embedded_hal_async::spi::{SpiBus, SpiDevice};
use embedded_hal_bus::spi::ExclusiveDevice;
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::device::{EventKind, Violation};

use crate::violations::RAW;

/// A blocking device behind the async trait. Every method goes to its own twin.
struct Blocking<S>(S);

impl<S: embedded_hal::spi::SpiDevice> ErrorType for Blocking<S> {
    type Error = S::Error;
}

impl<S: embedded_hal::spi::SpiDevice> SpiDevice for Blocking<S> {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), S::Error> {
        self.0.transaction(operations)
    }

    async fn read(&mut self, buf: &mut [u8]) -> Result<(), S::Error> {
        self.0.read(buf)
    }

    async fn write(&mut self, buf: &[u8]) -> Result<(), S::Error> {
        self.0.write(buf)
    }

    async fn transfer(&mut self, read: &mut [u8], write: &[u8]) -> Result<(), S::Error> {
        self.0.transfer(read, write)
    }

    async fn transfer_in_place(&mut self, buf: &mut [u8]) -> Result<(), S::Error> {
        self.0.transfer_in_place(buf)
    }
}

/// The chain of a check, and what its devices have latched: all that counts is what comes of it on the wire.
///
/// A bit takes 1 µs. A device tells of each byte that it latches but zero, so every byte sent here is another.
struct Bench {
    chain: VirtualChain,
    seen: usize,
}

impl Bench {
    fn new(devices: usize) -> Self {
        let chain = VirtualChain::new(&RAW, devices).unwrap();
        Self { seen: chain.events().len(), chain }
    }

    /// The bytes that were latched since it was asked last, device 0 first, and the violations.
    fn news(&mut self) -> (Vec<u64>, Vec<Violation>) {
        // Whoever keeps no gap by itself is given one.
        self.chain.advance_ns(500);
        assert!(!self.chain.is_selected(), "chip select is to be deasserted at the end of a transaction");
        let (mut units, mut violations) = (Vec::new(), Vec::new());
        let events = self.chain.events();
        for event in &events[self.seen..] {
            match &event.kind {
                EventKind::CommandUnknown { units: latched } => units.push(latched[0]),
                EventKind::Violation(violation) => violations.push(*violation),
                other => panic!("{other:?} is not to be expected of this map"),
            }
        }
        self.seen = events.len();
        (units, violations)
    }
}

/// `transaction`: chip select is asserted, then all operations are done, then it is deasserted.
async fn all_operations_stand_in_one_selection<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    let mut bench = Bench::new(4);
    let mut spi = device(&bench.chain);
    let (mut read, mut transferred, mut in_place) = ([0xEE; 2], [0xEE; 2], [7, 8]);
    spi.transaction(&mut [
        Operation::Write(&[1, 2]),
        Operation::Write(&[3, 4]),
        Operation::Read(&mut read),
        Operation::Transfer(&mut transferred, &[5, 6]),
        Operation::TransferInPlace(&mut in_place),
    ])
    .await
    .unwrap();
    // After four bytes the chain is full of ours: had chip select risen in between, they would not have come back.
    assert_eq!((read, transferred), ([1, 2], [3, 4]));
    assert_eq!(in_place, [0, 0], "a read sends zeros here, which come back as well");
    assert_eq!(bench.news(), (vec![8, 7, 6, 5], vec![Violation::SurplusUnits { bits: 80, chain_bits: 32 }]));
    assert_eq!((bench.chain.frames(), bench.chain.bytes_on_wire()), (1, 10));
}

/// Two transactions are two selections: what the first has sent is latched before the second.
async fn each_transaction_is_a_selection_of_its_own<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    let mut bench = Bench::new(2);
    let mut spi = device(&bench.chain);
    for sent in [[1, 2], [3, 4], [5, 6]] {
        let mut words = sent;
        spi.transaction(&mut [Operation::TransferInPlace(&mut words)]).await.unwrap();
        assert_eq!(words, [0, 0], "the devices have loaded what they have to say");
        assert_eq!(bench.news(), (vec![sent[1].into(), sent[0].into()], vec![]));
    }
    assert_eq!(bench.chain.frames(), 3);
}

/// A list may be empty, and so may be what its operations are given.
async fn nothing_to_do_is_a_selection_without_a_clock<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    let mut bench = Bench::new(1);
    let mut spi = device(&bench.chain);
    let none = Violation::TooFewClocks { clocks: 0, least: 8 };
    spi.transaction(&mut []).await.unwrap();
    assert_eq!(bench.news(), (vec![], vec![none]));
    spi.transaction(&mut [
        Operation::Write(&[]),
        Operation::Read(&mut []),
        Operation::Transfer(&mut [], &[]),
        Operation::TransferInPlace(&mut []),
    ])
    .await
    .unwrap();
    assert_eq!(bench.news(), (vec![], vec![none]));
    assert_eq!((bench.chain.frames(), bench.chain.bytes_on_wire()), (2, 0));
}

/// `SpiBus::transfer`: the two may be unlike in length, or empty; as many words are exchanged as the longer has, and what
/// comes beyond a shorter `read` is dropped. What is sent behind a shorter `write` is left to us: zeros, as we document.
async fn a_transfer_runs_for_the_longer_of_its_two<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    let mut bench = Bench::new(1);
    let mut spi = device(&bench.chain);
    let (mut longer, mut shorter, mut alone) = ([0xEE; 3], [0xEE; 1], [0xEE; 2]);
    spi.transaction(&mut [
        Operation::Write(&[9]),
        Operation::Transfer(&mut longer, &[1]),
        Operation::Transfer(&mut shorter, &[2, 3, 4]),
        Operation::Transfer(&mut [], &[5, 6]),
        Operation::Transfer(&mut alone, &[]),
        Operation::Write(&[7]),
    ])
    .await
    .unwrap();
    assert_eq!((longer, shorter, alone), ([9, 1, 0], [0], [6, 0]));
    assert_eq!(bench.chain.bytes_on_wire(), 12);
    assert_eq!(bench.news().0, [7]);
}

/// `Operation::DelayNs`: at least that many nanoseconds, between what stands before and behind it in the selection.
async fn a_delay_stands_within_the_selection<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    let mut bench = Bench::new(2);
    let mut spi = device(&bench.chain);
    let mut read = [0; 1];
    spi.transaction(&mut [
        Operation::Write(&[1, 2]),
        Operation::DelayNs(70_000),
        Operation::Read(&mut read),
        Operation::DelayNs(300),
        Operation::DelayNs(0),
    ])
    .await
    .unwrap();
    assert_eq!((read, bench.chain.frames()), ([1], 1));
    assert_eq!(bench.chain.now_ns(), 24_000 + 70_300, "24 bits of 1 µs, and the delays");
    assert_eq!(bench.news().0, [2], "and the zero of the read");
}

/// `transaction`: the bus is flushed before chip select is deasserted, so whatever its buffer holds is heard.
async fn the_bus_is_flushed_before_the_release<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    for buffer_bytes in [0, 1, 4, 64] {
        let mut bench = Bench::new(3);
        bench.chain.set_buffer_bytes(buffer_bytes);
        let mut spi = device(&bench.chain);
        spi.transaction(&mut [Operation::Write(&[1]), Operation::Write(&[2, 3])]).await.unwrap();
        assert_eq!(bench.chain.now_ns(), 24_000, "a buffer of {buffer_bytes} bytes");
        assert_eq!(bench.news(), (vec![3, 2, 1], vec![]), "a buffer of {buffer_bytes} bytes");
        assert_eq!(bench.chain.unheard_clocks(), 0);
    }
}

/// `read`, `write` and the transfers are short for a transaction of that one operation.
async fn each_method_is_a_transaction_of_one_operation<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    let mut bench = Bench::new(1);
    let mut spi = device(&bench.chain);
    spi.write(&[1]).await.unwrap();
    assert_eq!(bench.news(), (vec![1], vec![]));
    let mut read = [0xEE; 1];
    spi.read(&mut read).await.unwrap();
    assert_eq!((read, bench.news()), ([0], (vec![], vec![])));
    let mut read = [0xEE; 2];
    spi.transfer(&mut read, &[2, 3]).await.unwrap();
    assert_eq!((read, bench.news().0), ([0, 2], vec![3]));
    let mut words = [4, 5];
    spi.transfer_in_place(&mut words).await.unwrap();
    assert_eq!((words, bench.news().0), ([0, 4], vec![5]));
    assert_eq!(bench.chain.frames(), 4);
}

async fn keeps_the_contract<S: SpiDevice>(device: impl Fn(&VirtualChain) -> S) {
    all_operations_stand_in_one_selection(&device).await;
    each_transaction_is_a_selection_of_its_own(&device).await;
    nothing_to_do_is_a_selection_without_a_clock(&device).await;
    a_transfer_runs_for_the_longer_of_its_two(&device).await;
    a_delay_stands_within_the_selection(&device).await;
    the_bus_is_flushed_before_the_release(&device).await;
    each_method_is_a_transaction_of_one_operation(&device).await;
}

#[test]
fn the_blocking_device_keeps_the_contract() {
    block_on(keeps_the_contract(|chain| Blocking(chain.spi())));
}

#[test]
fn the_async_device_keeps_the_contract() {
    block_on(keeps_the_contract(VirtualChain::spi));
}

#[test]
fn a_blocking_device_of_our_bus_and_pin_keeps_the_contract() {
    block_on(keeps_the_contract(|chain| {
        let (bus, pin) = chain.bus();
        Blocking(ExclusiveDevice::new(bus, pin, chain.delay()).unwrap())
    }));
}

#[test]
fn an_async_device_of_our_bus_and_pin_keeps_the_contract() {
    block_on(keeps_the_contract(|chain| {
        let (bus, pin) = chain.bus();
        ExclusiveDevice::new(bus, pin, chain.delay()).unwrap()
    }));
}

/// Our bus until a call fails, as hardware may whose buffer has run over. Everything on it can fail.
struct Failing<B> {
    bus: B,
    calls_left: usize,
}

impl<B> Failing<B> {
    fn count(&mut self) -> Result<(), ErrorKind> {
        self.calls_left = self.calls_left.checked_sub(1).ok_or(ErrorKind::Overrun)?;
        Ok(())
    }
}

impl<B> ErrorType for Failing<B> {
    type Error = ErrorKind;
}

impl<B: embedded_hal::spi::SpiBus> embedded_hal::spi::SpiBus for Failing<B> {
    fn read(&mut self, words: &mut [u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.read(words).map_err(|_| ErrorKind::Other)
    }

    fn write(&mut self, words: &[u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.write(words).map_err(|_| ErrorKind::Other)
    }

    fn transfer(&mut self, read: &mut [u8], write: &[u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.transfer(read, write).map_err(|_| ErrorKind::Other)
    }

    fn transfer_in_place(&mut self, words: &mut [u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.transfer_in_place(words).map_err(|_| ErrorKind::Other)
    }

    fn flush(&mut self) -> Result<(), ErrorKind> {
        self.bus.flush().map_err(|_| ErrorKind::Other)
    }
}

impl<B: SpiBus> SpiBus for Failing<B> {
    async fn read(&mut self, words: &mut [u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.read(words).await.map_err(|_| ErrorKind::Other)
    }

    async fn write(&mut self, words: &[u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.write(words).await.map_err(|_| ErrorKind::Other)
    }

    async fn transfer(&mut self, read: &mut [u8], write: &[u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.transfer(read, write).await.map_err(|_| ErrorKind::Other)
    }

    async fn transfer_in_place(&mut self, words: &mut [u8]) -> Result<(), ErrorKind> {
        self.count()?;
        self.bus.transfer_in_place(words).await.map_err(|_| ErrorKind::Other)
    }

    async fn flush(&mut self) -> Result<(), ErrorKind> {
        self.bus.flush().await.map_err(|_| ErrorKind::Other)
    }
}

/// `transaction`: chip select is to be deasserted after an error of the bus too. Our own devices have no errors to show that with; our
/// pin has to rise all the same, and what was sent before the error is latched.
#[test]
fn an_error_on_the_bus_ends_the_selection_all_the_same() {
    for is_async in [false, true] {
        for calls in 0..3 {
            let mut bench = Bench::new(1);
            let (bus, mut pin) = bench.chain.bus();
            let (_, mut second_hand) = bench.chain.bus();
            let failing = Failing { bus, calls_left: calls };
            let mut device = ExclusiveDevice::new(failing, &mut pin, bench.chain.delay()).unwrap();
            let mut words = [2];
            let mut operations =
                [Operation::Write(&[1]), Operation::TransferInPlace(&mut words), Operation::Write(&[3])];
            let outcome = if is_async {
                block_on(SpiDevice::transaction(&mut device, &mut operations))
            } else {
                embedded_hal::spi::SpiDevice::transaction(&mut device, &mut operations)
            };
            let error = outcome.expect_err("the bus fails");
            assert!(format!("{error:?}").contains("Overrun"), "{error:?}");
            assert_eq!(second_hand.is_set_high(), Ok(true), "after {calls} calls");
            let sent: Vec<u64> = [vec![], vec![1], vec![2]][calls].clone();
            assert_eq!((bench.news().0, bench.chain.frames()), (sent, 1), "after {calls} calls, async: {is_async}");
        }
    }
}
