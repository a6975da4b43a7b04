//! The blocking and the async front put the same bytes on the wire, and hear the same.

use embassy_futures::block_on;
use stepchain::map::{BridgeState, Parameter, RegisterMap, StopRamp, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::settings::{Apply, Setting, Settings};
use stepchain::units::{Amplitude, Distance, Position, Value, Velocity};
use stepchain::{AsyncChain, Chain, Command, Recorder};
use stepchain_sim::chain::VirtualChain;

const COMMANDS: [Command; 9] = [
    Command::TakeStatus,
    Command::MoveVelocity { velocity: Velocity::steps_per_s::<-321>() },
    Command::PeekStatus,
    Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Shorted },
    Command::HomeOnCurrentPosition,
    Command::MoveRelative { distance: Distance::from_microsteps(123) },
    Command::ReadParameter { parameter: Parameter::PositionDemandValue },
    Command::MoveAbsolute { target: Position::from_microsteps(-77), way: Way::Negative },
    Command::WriteParameter {
        parameter: Parameter::StandstillAmplitude,
        value: Value::Amplitude(Amplitude::per_mille::<200>()),
    },
];
const SETTINGS: Settings<2> = Settings::new([
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<640>())),
    Setting::new(Parameter::StandstillAmplitude, Value::Amplitude(Amplitude::per_mille::<100>())),
]);

/// Every frame that went over the bus, both ways.
type Traffic = Vec<(Vec<u8>, Vec<u8>)>;

fn traffic<S, const FRAMES: usize, const BYTES: usize>(recorder: &Recorder<S, FRAMES, BYTES>) -> Traffic {
    recorder.frames().map(|frame| (frame.mosi().to_vec(), frame.miso().to_vec())).collect()
}

fn both_fronts_sound_alike<M: RegisterMap>() {
    let layout = Chain::<M, Recorder<stepchain_sim::chain::VirtualSpi, 256, 32>, 2>::LAYOUT;

    let bench = VirtualChain::new(layout, 2).unwrap();
    let mut chain = Chain::<M, _, 2>::new(Recorder::<_, 256, 32>::new(bench.spi()));
    let blocking_replies: Vec<_> =
        COMMANDS.iter().map(|command| chain.send(&[*command, Command::PeekStatus])).collect();
    chain.run(&mut Apply::to_all(layout, &SETTINGS), &mut bench.delay()).unwrap();
    let blocking = traffic(&chain.release());

    let bench = VirtualChain::new(layout, 2).unwrap();
    let mut chain = AsyncChain::<M, _, 2>::new(Recorder::<_, 256, 32>::new(bench.spi()));
    let async_replies: Vec<_> =
        COMMANDS.iter().map(|command| block_on(chain.send(&[*command, Command::PeekStatus]))).collect();
    block_on(chain.run(&mut Apply::to_all(layout, &SETTINGS), &mut bench.delay())).unwrap();
    let asynchronous = traffic(&chain.release());

    assert_eq!(format!("{blocking_replies:?}"), format!("{async_replies:?}"));
    assert!(blocking.len() > 20, "{} frames are too few to show anything", blocking.len());
    assert_eq!(blocking, asynchronous);
}

#[test]
fn both_fronts_sound_alike_on_both_maps() {
    both_fronts_sound_alike::<Latched>();
    both_fronts_sound_alike::<FixedWord>();
}
