//! What the driver sends is what `capture` reads: from the recorder of the firmware, and from the capture that the virtual
//! chain writes, to commands in physical units.

use std::sync::Arc;

use embedded_hal::spi::SpiDevice;
use embedded_hal_mock::eh1::spi::{Mock, Transaction};
use stepchain::map::{BridgeState, Parameter, RegisterMap, StopRamp, Verb, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Acceleration, Distance, Position, Velocity};
use stepchain::{Chain, Command, Recorder};
use stepchain_sim::capture::{self, Asked, Conversation, Exchange, Item, Note, Options, infer_devices};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::decode::Dictionary;
use stepchain_sim::wire::bytes_of;

/// Drives three devices with a recorder between, and decodes what it has kept, and what the chain itself has captured.
fn recorded<M: RegisterMap>(name: &str, drive: impl FnOnce(&mut dyn FnMut(&[Command; 3]))) -> Vec<Exchange> {
    let bench = VirtualChain::new(&M::LAYOUT, 3).unwrap();
    let tmp = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"));
    bench.capture_to_file(tmp.join(name).with_extension("vcd")).unwrap();
    let mut recorder = Recorder::<_, 256, 32>::new(bench.spi());
    {
        let mut chain = Chain::<M, _, 3>::new(&mut recorder);
        drive(&mut |commands| {
            chain.send(commands).unwrap();
        });
    }
    let mut text = String::new();
    recorder.dump(&mut text).unwrap();
    std::fs::write(tmp.join(name), text).unwrap();
    bench.end_capture().unwrap();
    let exchanges = decoded::<M>(&tmp.join(name), &Options::default());
    // The chain's own capture tells the same, and has times too.
    let options = Options { mode: Some(M::LAYOUT.wire.mode), ..Options::default() };
    let of_chain = decoded::<M>(&tmp.join(name).with_extension("vcd"), &options);
    let untimed = |exchange: &Exchange| Exchange { start_ns: 0, latched_ns: 0, ..exchange.clone() };
    assert_eq!(of_chain.iter().map(untimed).collect::<Vec<_>>(), exchanges.iter().map(untimed).collect::<Vec<_>>());
    let last_ns = of_chain.iter().map(|exchange| exchange.latched_ns).max();
    assert!(last_ns.is_some_and(|ns| (1..=bench.now_ns().cast_signed()).contains(&ns)), "{last_ns:?}");
    // The bus is a bus still.
    recorder.write(&[]).unwrap();
    exchanges
}

/// What devices were asked and answered, by a capture.
fn decoded<M: RegisterMap>(path: &std::path::Path, options: &Options) -> Vec<Exchange> {
    let frames: Vec<_> = capture::open(path, options)
        .unwrap()
        .map(|item| match item.unwrap() {
            Item::Frame(frame) => frame,
            Item::Trouble(trouble) => panic!("{trouble}"),
        })
        .collect();
    assert_eq!(infer_devices(&frames, &M::LAYOUT.wire).unwrap().devices, 3);
    let mut conversation = Conversation::new(Arc::new(Dictionary::new(&M::LAYOUT)), 3, M::LAYOUT.wire.bit_order);
    let mut exchanges = Vec::new();
    for frame in &frames {
        assert_eq!(conversation.take(frame), None);
        exchanges.extend(std::iter::from_fn(|| conversation.pop()));
    }
    conversation.end();
    exchanges.extend(std::iter::from_fn(|| conversation.pop()));
    exchanges
}

/// Verb and value of the motion or stop that an exchange is, or sets going.
fn motion(exchange: &Exchange) -> Option<(Verb, Option<f64>)> {
    let command = match &exchange.asked {
        Asked::Write { sets_going: Some(going), .. } => going,
        asked => asked,
    };
    match command {
        // The driver looks at the status before and after; that moves nothing.
        Asked::Command { verb, argument, .. } if verb.is_of_one_axis() => {
            Some((*verb, argument.as_ref().and_then(|argument| argument.value)))
        }
        _ => None,
    }
}

/// By hand: 64 microsteps a step (latched) and 16 (fixed-word) after power-up, so 640 of them are 10 and 40 steps.
fn check<M: RegisterMap>(name: &str, ten_or_forty: f64) {
    let exchanges = recorded::<M>(name, |send| {
        let slope = Acceleration::from_steps_per_s2(2000).unwrap();
        send(&[Command::write(Parameter::ProfileAcceleration, slope); 3]);
        send(&[
            Command::MoveVelocity { velocity: Velocity::from_steps_per_s(-120).unwrap() },
            Command::MoveRelative { distance: Distance::from_microsteps(-640) },
            Command::MoveAbsolute { target: Position::from_microsteps(640), way: Way::Shortest },
        ]);
        send(&[Command::MoveVelocity { velocity: Velocity::from_steps_per_s(60).unwrap() }; 3]);
        send(&[Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven }; 3]);
        send(&[Command::read(Parameter::ProfileAcceleration); 3]);
    });
    let of = |device: usize| exchanges.iter().filter(move |exchange| exchange.device == device);
    let moves = [
        (Verb::MoveVelocity, -120.0),
        (Verb::MoveRelative, -ten_or_forty),
        (Verb::MoveAbsolute(Way::Shortest), ten_or_forty),
    ];
    for (device, (verb, value)) in moves.into_iter().enumerate() {
        let motions: Vec<_> = of(device).filter_map(motion).collect();
        let stop = Verb::Stop(StopRamp::Profile, BridgeState::Driven);
        let expected = [(verb, Some(value)), (Verb::MoveVelocity, Some(60.0)), (stop, None)];
        assert_eq!(motions, expected, "device {device}: {exchanges:#?}");
        let read = of(device).find(|exchange| matches!(exchange.asked, Asked::Read { .. })).unwrap();
        let value = read.reply.as_ref().and_then(|reply| reply.values.first()).and_then(|value| value.value);
        assert_eq!((value, &read.notes[..]), (Some(2000.0), &[][..]), "{read:?}");
    }
    let reverses: Vec<_> = exchanges.iter().filter(|exchange| exchange.notes.contains(&Note::Reverses)).collect();
    assert_eq!(reverses.len(), 1, "only device 0 turned before");
    assert!(reverses[0].notes.contains(&Note::WhileMoving { velocity: Some(-120.0) }));
    let latches: Vec<_> = exchanges.iter().map(|exchange| exchange.frames.1).collect();
    assert!(latches.is_sorted(), "{latches:?}");
}

#[test]
fn what_the_driver_sends_to_latched_units_is_read_in_physical_units() {
    check::<Latched>("latched-recorder.csv", 10.0);
}

#[test]
fn what_the_driver_sends_in_fixed_words_is_read_in_physical_units() {
    check::<FixedWord>("fixed-word-recorder.csv", 40.0);
}

/// By hand: device 1 gets its unit first; 0x5011 reads register 0x11, and 0x01F4 are 500 codes of 2 steps/s².
#[test]
fn traffic_over_a_mock_is_captured_in_two_lines() {
    let shift = |sent: [u8; 4], came: [u8; 4]| {
        let [start, end] = [Transaction::transaction_start(), Transaction::transaction_end()];
        [start, Transaction::transfer_in_place(sent.to_vec(), came.to_vec()), end]
    };
    let expected = [shift([0x7E, 0x7E, 0x50, 0x11], [0x00; 4]), shift([0x7E; 4], [0x00, 0x00, 0x01, 0xF4])].concat();
    let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("mock.csv");

    let mut spi = Recorder::<_, 64, 32>::new(Mock::new(&expected));
    let mut chain = Chain::<Latched, _, 2>::new(&mut spi);
    let replies = chain.exchange(&[Command::read(Parameter::ProfileAcceleration), Command::Filler]).unwrap();
    std::fs::write(&path, spi.csv().to_string()).unwrap();

    assert_eq!(replies[0].unwrap().value, Some(Acceleration::from_steps_per_s2(1000).unwrap().into()));
    let frames = capture::open(&path, &Options::default()).unwrap().map(|item| match item.unwrap() {
        Item::Frame(frame) => [frame.mosi, frame.miso].map(|bits| bytes_of(&bits.unwrap())),
        Item::Trouble(trouble) => panic!("{trouble}"),
    });
    let told = [[[0x7E, 0x7E, 0x50, 0x11], [0x00; 4]], [[0x7E; 4], [0x00, 0x00, 0x01, 0xF4]]];
    assert_eq!(frames.collect::<Vec<_>>(), told.map(|frame| frame.map(|bytes| bytes.to_vec())));
    spi.release().done();
}
