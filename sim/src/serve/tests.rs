//! Both ends of the link against one another: over a line that loses and spoils bytes, over TCP, and at the wall's pace.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::io::{self, Cursor, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::rc::Rc;
use std::thread;
use std::time::Duration;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{InputPin, PinState};
use embedded_hal::spi::{Operation, SpiDevice};
use proptest::prelude::*;
use stepchain::map::{BridgeState, Flag};
use stepchain_link::message::{Line, kind};
use stepchain_link::packet::{Collector, MOST_ON_LINE, Packet};
use stepchain_link::{Link, LinkClock, LinkDelay, LinkError, LinkInput, LinkSpi, Refusal, Transport};

use super::pace::Wall;
use super::*;
use crate::bench::{Bench, Source, parse_machine};

mod asynchronous;

const BENCH: &str = "chain = { map = \"latched\", axes = [\"lift\", \"table\"] }\n\
                     machine.lift = { home_switch = { closed_to = -3 } }\nexpect = { lift = 40 }\n";

fn bench() -> Bench {
    parse_machine(&Source { file: "b.toml", text: BENCH }).unwrap()
}

fn offer() -> Offer {
    Offer::new(&bench(), &[]).unwrap()
}

/// How a line treats each byte: numbers below `lost` of 1000 drop it, those below `lost + spoilt` turn a bit over, and those
/// below `lost + spoilt + added` put another one before it.
#[derive(Clone, Copy, Debug)]
struct Line1000 {
    lost: u64,
    spoilt: u64,
    added: u64,
}

const GOOD: Line1000 = Line1000 { lost: 0, spoilt: 0, added: 0 };

/// A line with the simulator at its other end, which answers as soon as something comes.
struct Pipe {
    offer: Rc<RefCell<Offer>>,
    talk: Talk,
    /// The simulator's collector goes on over the pieces in which bytes come, so whole writes are kept together.
    to_simulator: Vec<u8>,
    to_firmware: VecDeque<u8>,
    line: Line1000,
    dice: u64,
    /// After so many reads the firmware loses patience, though something is under way; and so many reads there were.
    patience: Option<u64>,
    reads: u64,
}

impl Pipe {
    fn new(offer: Offer, line: Line1000, seed: u64) -> (Self, Rc<RefCell<Offer>>) {
        let offer = Rc::new(RefCell::new(offer));
        let pipe = Self {
            offer: Rc::clone(&offer),
            talk: Talk::default(),
            to_simulator: Vec::new(),
            to_firmware: VecDeque::new(),
            line,
            dice: seed,
            patience: None,
            reads: 0,
        };
        (pipe, offer)
    }

    /// SplitMix64 (from memory, Steele, Lea and Flood 2014).
    fn draw(&mut self) -> u64 {
        self.dice = self.dice.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.dice ^ (self.dice >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn through(&mut self, bytes: &[u8]) -> Vec<u8> {
        let Line1000 { lost, spoilt, added } = self.line;
        let mut came = Vec::new();
        for byte in bytes {
            let (fate, detail) = (self.draw() % 1000, self.draw());
            if fate < lost {
                continue;
            }
            if fate < lost + spoilt {
                came.push(byte ^ 1 << (detail % 8));
                continue;
            }
            if fate < lost + spoilt + added {
                came.push(detail as u8);
            }
            came.push(*byte);
        }
        came
    }
}

impl Transport for Pipe {
    type Error = Infallible;

    fn write(&mut self, bytes: &[u8]) -> Result<(), Infallible> {
        let came = self.through(bytes);
        self.to_simulator.extend(came);
        // What is behind the last delimiter may be the beginning of something.
        let end = self.to_simulator.iter().rposition(|byte| *byte == 0).map_or(0, |last| last + 1);
        let whole: Vec<u8> = self.to_simulator.drain(..end).collect();
        let mut answers = Vec::new();
        let offer = Rc::clone(&self.offer);
        self.talk.hold(&mut offer.borrow_mut(), &mut Cursor::new(whole), &mut answers, None).unwrap();
        let came = self.through(&answers);
        self.to_firmware.extend(came);
        Ok(())
    }

    fn read(&mut self) -> Result<Option<u8>, Infallible> {
        self.reads += 1;
        if self.patience.is_some_and(|patience| self.reads.is_multiple_of(patience)) {
            return Ok(None);
        }
        Ok(self.to_firmware.pop_front())
    }
}

/// What a firmware may do.
#[derive(Clone, Debug)]
enum Act {
    Shift(Vec<u8>, u32),
    Read(usize),
    Delay(u32),
    Busy,
    Home,
    Now,
}

fn acts() -> impl Strategy<Value = Vec<Act>> {
    let act = prop_oneof![
        // Two devices of 16 bits; a velocity among them now and then, so that something moves.
        (prop::collection::vec(any::<u8>(), 1..12), 0..9_000_000u32).prop_map(|(bytes, ns)| Act::Shift(bytes, ns)),
        Just(Act::Shift(vec![0xB4, 0, 0xB4, 0, 0x13, 0x88, 0x13, 0x88], 5)),
        (1..9usize).prop_map(Act::Read),
        (0..80_000_000u32).prop_map(Act::Delay),
        Just(Act::Busy),
        Just(Act::Home),
        Just(Act::Now),
    ];
    prop::collection::vec(act, 1..24)
}

/// Everything that the firmware gets to see.
fn act(pipe: Pipe, acts: &[Act]) -> Result<(Vec<Vec<u8>>, Pipe), LinkError<Infallible>> {
    let (link, greeting) = Link::begin(pipe, 0xBEEF).map_err(|(error, _)| error)?;
    assert_eq!((greeting.devices, greeting.now_ns), (2, 0));
    let link = RefCell::new(link);
    let (mut spi, mut delay, mut clock) = (LinkSpi::new(&link), LinkDelay::new(&link), LinkClock::new(&link));
    let mut busy = LinkInput::new(&link, Line::Busy { device: None }, PinState::Low);
    let mut home = LinkInput::new(&link, Line::HomeSwitch { device: 0, axis: 0 }, PinState::High);
    let mut seen = Vec::new();
    for act in acts {
        seen.push(match act {
            Act::Shift(bytes, ns) => {
                let (mut first, mut second) = (bytes.clone(), [0; 3]);
                spi.transaction(&mut [
                    Operation::TransferInPlace(&mut first),
                    Operation::DelayNs(*ns),
                    Operation::Transfer(&mut second, &[1]),
                    Operation::Write(&[2, 3]),
                ])?;
                [&first[..], &second].concat()
            }
            Act::Read(count) => {
                let mut bytes = vec![0xFF; *count];
                spi.read(&mut bytes)?;
                bytes
            }
            Act::Delay(ns) => {
                delay.delay_ns(*ns);
                Vec::new()
            }
            Act::Busy => vec![u8::from(busy.is_low()?)],
            Act::Home => vec![u8::from(home.is_high()?)],
            Act::Now => clock.now().as_nanos().to_le_bytes().to_vec(),
        });
    }
    Ok((seen, link.into_inner().release()))
}

/// What can be told of a chain afterwards.
fn told(offer: &Offer) -> (u64, String, String) {
    (offer.chain().now_ns(), offer.chain().log_text(), frames_csv(offer.exchanges()))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Up to a twelfth of the bytes of a packet of some thirty are hurt on the worst of these lines.
    #[test]
    fn a_bad_line_changes_nothing_but_how_often_is_asked(
        acts in acts(),
        seed in any::<u64>(),
        (lost, spoilt, added) in (0..8u64, 0..8u64, 0..8u64),
    ) {
        let (good, expected) = Pipe::new(offer(), GOOD, seed);
        let (seen, good) = act(good, &acts).unwrap();
        prop_assert_eq!((good.talk.repeated(), good.talk.broken()), (0, 0));
        let (bad, found) = Pipe::new(offer(), Line1000 { lost, spoilt, added }, seed);
        let (bad_seen, _) = act(bad, &acts).unwrap();
        prop_assert_eq!(seen, bad_seen);
        prop_assert_eq!(told(&expected.borrow()), told(&found.borrow()));
        prop_assert_eq!(expected.borrow().requests(), found.borrow().requests());
    }

    /// Whoever asks again too early gets two answers, and the second comes in front of that to the next request.
    #[test]
    fn an_answer_that_comes_late_is_not_taken_for_one_to_the_next_request(acts in acts(), patience in 25..200u64) {
        let (good, expected) = Pipe::new(offer(), GOOD, 1);
        let (seen, _) = act(good, &acts).unwrap();
        let (late, found) = Pipe::new(offer(), GOOD, 1);
        let (late_seen, late) = act(Pipe { patience: Some(patience), ..late }, &acts).unwrap();
        prop_assert!(late.talk.repeated() > 0 || late.reads < patience);
        prop_assert_eq!(seen, late_seen);
        prop_assert_eq!(told(&expected.borrow()), told(&found.borrow()));
    }

    #[test]
    fn no_bytes_at_all_bring_the_simulator_down_or_clock_the_bus_by_chance(
        bytes in prop::collection::vec(any::<u8>(), 0..600),
    ) {
        let (mut offer, mut answers) = (offer(), Vec::new());
        let left = Talk::default().hold(&mut offer, &mut Cursor::new(bytes), &mut answers, None).unwrap();
        prop_assert_eq!(left, Left::Closed);
        prop_assert_eq!((offer.requests(), offer.chain().frames()), (0, 0));
    }
}

/// The packets in what the simulator sent.
fn packets(bytes: &[u8]) -> Vec<(u16, u16, u8, Vec<u8>)> {
    let mut collector = Collector::new();
    let whole = bytes.iter().filter_map(|byte| {
        collector.take(*byte).map(|packet| (packet.session, packet.sequence, packet.kind, packet.body.to_vec()))
    });
    whole.collect()
}

fn say(session: u16, sequence: u16, kind: u8, body: &[u8]) -> Vec<u8> {
    let mut line = [0; MOST_ON_LINE];
    let count = Packet { session, sequence, kind, body }.write(&mut line).unwrap();
    line[..count].to_vec()
}

#[test]
fn a_request_that_comes_again_is_answered_again_and_clocks_the_bus_once() {
    let (mut offer, mut talk, mut answers) = (offer(), Talk::default(), Vec::new());
    let shift = say(5, 8, kind::TRANSACTION, &[4, 0xE0, 0, 0xE0, 0]);
    let said = [say(5, 7, kind::HELLO, &[1]), shift.clone(), shift.clone(), shift].concat();
    talk.hold(&mut offer, &mut Cursor::new(said), &mut answers, None).unwrap();
    let answers = packets(&answers);
    assert_eq!(answers.len(), 4);
    assert_eq!(answers[1], (5, 8, kind::TRANSACTION | kind::REPLY, answers[1].3.clone()));
    assert!(answers[1..].iter().all(|answer| *answer == answers[1]));
    assert_eq!((offer.chain().frames(), offer.exchanges().len(), talk.repeated()), (1, 1, 2));
}

/// The reason is the first byte of the body.
#[test]
fn what_is_out_of_step_unreadable_or_not_there_is_refused_and_changes_nothing() {
    let (mut offer, mut answers) = (offer(), Vec::new());
    let said = [
        say(5, 0, kind::DELAY, &[0; 8]),
        say(5, 0, kind::HELLO, &[9]),
        say(5, 1, kind::HELLO, &[1]),
        say(5, 3, kind::DELAY, &[0; 8]),
        say(6, 2, kind::DELAY, &[0; 8]),
        say(5, 2, kind::DELAY, &[1, 2, 3]),
        say(5, 3, kind::TRANSACTION, &[4, 0xE0]),
        say(5, 4, kind::TRANSACTION, &[1, 0xE0, 0, 1, 2, 3]),
        say(5, 5, kind::LINE, &Line::Busy { device: Some(2) }.to_bytes()),
        say(5, 6, kind::LINE, &Line::HomeSwitch { device: 1, axis: 1 }.to_bytes()),
        say(5, 7, 0x42, &[]),
        say(5, 8, kind::LINE, &Line::Fault { device: Some(1) }.to_bytes()),
    ];
    Talk::default().hold(&mut offer, &mut Cursor::new(said.concat()), &mut answers, None).unwrap();
    let reasons: Vec<_> = packets(&answers)
        .iter()
        .map(|(.., kind, body)| if *kind == kind::REFUSED { Refusal::from_code(body[0]).code() } else { 0 })
        .collect();
    assert_eq!(reasons, [5, 2, 0, 5, 5, 3, 3, 3, 4, 4, 3, 0]);
    assert_eq!((offer.chain().now_ns(), offer.chain().frames(), offer.requests()), (0, 0, 2));
}

#[test]
fn firmware_that_restarts_finds_the_chain_as_it_left_it() {
    let (pipe, offer) = Pipe::new(offer(), GOOD, 1);
    let (mut link, _) = Link::begin(pipe, 1).map_err(|(error, _)| error).unwrap();
    link.delay(1_234).unwrap();
    let (mut link, greeting) = Link::begin(link.release(), 1).map_err(|(error, _)| error).unwrap();
    assert_eq!(greeting.now_ns, 1_234);
    assert_eq!(link.now_ns(), Ok(1_234));
    assert_eq!(link.end(3), Ok(()));
    assert_eq!(offer.borrow().end(), Some(3));
}

#[test]
fn a_line_that_is_dead_is_told_and_a_delay_that_was_lost_is_told_by_whatever_comes_next() {
    let (dead, _) = Pipe::new(offer(), Line1000 { lost: 1000, ..GOOD }, 1);
    let begun = Link::begin(dead, 1).map(|(_, greeting)| greeting).map_err(|(error, _)| error);
    assert_eq!(begun, Err(LinkError::Silent));
    let (pipe, _) = Pipe::new(offer(), GOOD, 1);
    let (mut link, _) = Link::begin(Dies { pipe, left: 4 }, 2).map_err(|(error, _)| error).unwrap();
    assert_eq!(link.now_ns(), Ok(0));
    let link = RefCell::new(link);
    assert_eq!(LinkSpi::new(&link).write(&[0; 4]), Ok(()));
    LinkDelay::new(&link).delay_ms(1);
    assert_eq!(LinkSpi::new(&link).write(&[0; 4]), Err(LinkError::Lost));
}

/// A line that is cut after so many writes.
struct Dies {
    pipe: Pipe,
    left: u32,
}

impl Transport for Dies {
    type Error = Infallible;

    fn write(&mut self, bytes: &[u8]) -> Result<(), Infallible> {
        self.left = self.left.saturating_sub(1);
        if self.left > 0 { self.pipe.write(bytes) } else { Ok(()) }
    }

    fn read(&mut self) -> Result<Option<u8>, Infallible> {
        self.pipe.read()
    }
}

#[test]
fn a_transaction_beyond_a_packet_is_told_with_both_lengths_before_anything_is_sent() {
    let (pipe, offer) = Pipe::new(offer(), GOOD, 1);
    let (link, _) = Link::begin(pipe, 1).map_err(|(error, _)| error).unwrap();
    let link = RefCell::new(link);
    let mut spi = LinkSpi::new(&link);
    assert_eq!(spi.write(&[0; 244]), Ok(()));
    assert_eq!(spi.write(&[0; 245]), Err(LinkError::TooLong { bytes: 246, most: 245 }));
    assert_eq!(offer.borrow().exchanges().len(), 1);
}

/// By hand: 100 steps/s are 0x1388 codes of the reference map; the device lets go in the middle of the second of two delays.
#[test]
fn a_condition_befalls_the_chain_at_its_instant_whatever_the_firmware_waits_for() {
    let condition = Condition {
        device: 0,
        axis: 0,
        flag: Flag::Overtemperature,
        from_ns: 1_500_000_000,
        to_ns: Some(1_700_000_000),
    };
    let (pipe, offer) = Pipe::new(Offer::new(&bench(), &[condition]).unwrap(), GOOD, 1);
    let (link, _) = Link::begin(pipe, 1).map_err(|(error, _)| error).unwrap();
    let link = RefCell::new(link);
    let mut spi = LinkSpi::new(&link);
    for unit in [[0x7E, 0x7E, 0xB4, 0x00], [0x7E, 0x7E, 0x13, 0x88]] {
        spi.write(&unit).unwrap();
    }
    let mut fault = LinkInput::new(&link, Line::Fault { device: Some(0) }, PinState::Low);
    assert_eq!(fault.is_low(), Ok(false));
    LinkDelay::new(&link).delay_ms(1_000);
    assert_eq!(fault.is_low(), Ok(false));
    LinkDelay::new(&link).delay_ms(1_000);
    assert_eq!(fault.is_low(), Ok(true));
    let offer = offer.borrow();
    let let_go = offer.chain().events().into_iter().find(|event| {
        matches!(event.kind, crate::device::EventKind::BridgeChanged { to: BridgeState::HighImpedance, .. })
    });
    assert_eq!(let_go.map(|event| event.time_ns), Some(1_500_000_000));
}

#[test]
fn a_fault_of_the_bench_befalls_the_chain_that_is_served() {
    let text = format!("{BENCH}[[fault]]\nat_s = 0.25\nundervoltage = \"table\"\nlasts_s = 0.5\n");
    let bench = parse_machine(&Source { file: "b.toml", text: &text }).unwrap();
    let (pipe, offer) = Pipe::new(Offer::new(&bench, &[]).unwrap(), GOOD, 1);
    let (link, _) = Link::begin(pipe, 1).map_err(|(error, _)| error).unwrap();
    let link = RefCell::new(link);
    let mut fault = LinkInput::new(&link, Line::Fault { device: Some(1) }, PinState::Low);
    assert_eq!(fault.is_low(), Ok(false));
    LinkDelay::new(&link).delay_ms(500);
    assert_eq!(fault.is_low(), Ok(true));
    let events = offer.borrow().chain().events();
    let began = events.iter().find(|event| matches!(event.kind, crate::device::EventKind::FaultBegan { .. }));
    assert_eq!(began.map(|event| event.time_ns), Some(250_000_000));
}

#[test]
fn an_outcome_finds_axes_elsewhere_failures_and_a_missing_end_and_leaves_refusals_to_the_firmware() {
    let (bench, mut offer, talk) = (bench(), offer(), Talk::default());
    let findings = |offer: &Offer| Outcome::of(&bench, offer, &talk).findings;
    let not_there = "`lift` is at 0 steps; the bench expects 40 steps".to_owned();
    let cut = "the link was closed before the firmware said that it was done".to_owned();
    assert_eq!(findings(&offer), [not_there.clone(), cut]);
    offer.answer(kind::END, &[4]).unwrap();
    assert_eq!(findings(&offer), [not_there, "the firmware says that it failed, with status 4".to_owned()]);
    // 40 steps of 64 microsteps, and an unknown word.
    offer.chain().set_position(0, 0, 40 * 64);
    offer.answer(kind::END, &[0]).unwrap();
    let outcome = Outcome::of(&bench, &offer, &talk);
    assert_eq!((outcome.is_well(), outcome.axes[0].reached_steps), (true, 40.0), "{:?}", outcome.findings);
    offer.answer(kind::TRANSACTION, &[4, 0x7E, 0x7E, 0, 0]).unwrap();
    assert!(findings(&offer)[0].starts_with("device 0 at 0.0"), "{:?}", findings(&offer));
}

/// A clock that only sleep moves on.
#[derive(Debug)]
struct Still {
    now_ns: u64,
    sleeps_ns: Vec<u64>,
}

impl Wall for Still {
    fn now_ns(&mut self) -> u64 {
        self.now_ns
    }

    fn sleep_ns(&mut self, ns: u64) {
        self.now_ns += ns;
        self.sleeps_ns.push(ns);
    }
}

/// By hand: 45 ms are two beats of 20 ms and a rest, and the clock shows 7 ms at first.
#[test]
fn at_the_walls_pace_a_delay_takes_as_long_as_it_says_and_the_firmware_is_told_to_wait_on() {
    let (mut offer, mut answers) = (offer(), Vec::new());
    let said = [say(1, 0, kind::HELLO, &[1]), say(1, 1, kind::DELAY, &45_000_000u64.to_le_bytes())].concat();
    let mut wall = Still { now_ns: 7_000_000, sleeps_ns: Vec::new() };
    Talk::default().hold(&mut offer, &mut Cursor::new(said), &mut answers, Some(&mut wall)).unwrap();
    assert_eq!(offer.chain().now_ns(), 52_000_000);
    assert_eq!(wall.sleeps_ns, [20_000_000, 20_000_000, 5_000_000]);
    let kinds: Vec<_> = packets(&answers).into_iter().map(|(.., kind, _)| kind).collect();
    assert_eq!(kinds, [kind::HELLO | kind::REPLY, kind::NOT_YET, kind::NOT_YET, kind::DELAY | kind::REPLY]);
}

/// A TCP connection as a transport.
struct Tcp(TcpStream);

impl Tcp {
    fn to(listener: &TcpListener) -> Self {
        let stream = TcpStream::connect(listener.local_addr().unwrap()).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
        Self(stream)
    }
}

impl Transport for Tcp {
    type Error = io::ErrorKind;

    fn write(&mut self, bytes: &[u8]) -> Result<(), io::ErrorKind> {
        self.0.write_all(bytes).map_err(|error| error.kind())
    }

    fn read(&mut self) -> Result<Option<u8>, io::ErrorKind> {
        let mut byte = [0];
        match self.0.read(&mut byte) {
            Ok(1) => Ok(Some(byte[0])),
            Ok(_) => Err(io::ErrorKind::UnexpectedEof),
            Err(error) => Err(error.kind()),
        }
    }
}

#[test]
fn over_tcp_one_client_has_the_chain_and_the_next_is_told_so_and_the_one_after_finds_it() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (mut offer, mut talk) = (offer(), Talk::default());
    thread::scope(|scope| {
        let serving = scope.spawn(|| listen(&listener, &mut talk, &mut offer, None));
        let (mut first, _) = Link::begin(Tcp::to(&listener), 1).map_err(|(error, _)| error).unwrap();
        assert_eq!(first.delay(1_000), Ok(()));
        let mut reply = Vec::new();
        Tcp::to(&listener).0.read_to_end(&mut reply).unwrap();
        let refused = packets(&reply);
        assert_eq!((refused.len(), refused[0].2, refused[0].3[0]), (1, kind::REFUSED, Refusal::Busy.code()));
        assert_eq!(std::str::from_utf8(&refused[0].3[1..]), Ok("another client has the chain"));
        assert_eq!(first.now_ns(), Ok(1_000));
        drop(first);
        // That the first has left is seen when its connection closes, a moment later.
        let (mut next, greeting) = loop {
            match Link::begin(Tcp::to(&listener), 2) {
                Ok(begun) => break begun,
                Err((LinkError::Refused(Refusal::Busy) | LinkError::Transport(_), _)) => thread::yield_now(),
                Err((error, _)) => panic!("{error}"),
            }
        };
        assert_eq!(greeting.now_ns, 1_000);
        assert_eq!(next.end(0), Ok(()));
        assert!(serving.join().unwrap().is_ok());
    });
    assert_eq!(offer.end(), Some(0));
}
