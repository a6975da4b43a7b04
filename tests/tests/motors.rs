use embedded_hal::spi::SpiDevice;
use stepchain::fault::{self, FaultKind};
use stepchain::map::{Parameter, RegisterMap, BridgeState, StopRamp};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Acceleration, Distance, Value, Velocity};
use stepchain::{Chain, Command};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::MotorSetup;
use stepchain_sim::motor::{self, MotorFile};
use stepchain_sim::tune::{Options, tune};

const MS: u64 = 1_000_000;
const S: u64 = 1_000_000_000;

fn demo() -> MotorFile {
    motor::load("../examples/motors/demo.toml".as_ref()).unwrap()
}

fn rig<M: RegisterMap>(file: &MotorFile) -> (VirtualChain, Chain<M, VirtualSpi, 1>) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 1>::LAYOUT, 1).unwrap();
    let mut chain = Chain::new(bench.spi());
    chain.send_all(Command::TakeStatus).unwrap();
    let tuned = tune(file, &M::LAYOUT, &Options::default()).unwrap();
    for w in &tuned.warnings { println!("{w}"); }
    for setting in &tuned.settings {
        println!("{:?} {} {}", setting.parameter, setting.value, setting.quantised);
        let register = M::LAYOUT.register(setting.parameter, 0).unwrap();
        chain.send_one(0, Command::write(setting.parameter, register.value_of(setting.code).unwrap())).unwrap();
    }
    chain.send_one(0, Command::write(Parameter::ProfileAcceleration, Acceleration::from_steps_per_s2(4000).unwrap())).unwrap();
    chain.send_one(0, Command::write(Parameter::ProfileDeceleration, Acceleration::from_steps_per_s2(4000).unwrap())).unwrap();
    chain.send_one(0, Command::write(Parameter::StartStopVelocity, Velocity::from_steps_per_s(0).unwrap())).unwrap();
    (bench, chain)
}

fn try_it<M: RegisterMap>() {
    let file = demo();
    let (bench, mut chain) = rig::<M>(&file);
    bench.set_end_stop(0, 0, -0.5);
    bench.attach_motor(0, 0, &MotorSetup::from(&file));
    for v in [100, 300, 500, 800, 1100] {
        chain.send_one(0, Command::write(Parameter::ProfileVelocity, Velocity::from_steps_per_s(v).unwrap())).unwrap();
        let t0 = std::time::Instant::now();
        let n = M::LAYOUT.position.resolutions[0];
        let n = bench.microsteps_per_step(0, 0);
        chain.send_one(0, Command::MoveRelative { distance: Distance::from_microsteps(800 * n as i32) }).unwrap();
        let mut peak = 0f64;
        while bench.is_moving(0, 0) {
            bench.advance_ns(MS);
            peak = peak.max(bench.motor(0, 0).unwrap().current_amplitude_a());
        }
        let end = bench.now_ns();
        bench.advance_ns(S);
        println!("v {v} at {} ms: rotor {} lost {} peak {peak} wall {:?}", end / MS, bench.rotor_steps(0, 0), bench.lost_steps(0, 0), t0.elapsed());
        let status = chain.send_one(0, Command::TakeStatus).unwrap().status.unwrap();
        println!("   {:?}", fault::faults(&status).map(|f| f.kind).collect::<Vec<_>>());
    }
    let t0 = std::time::Instant::now();
    bench.advance_ns(1000 * S);
    println!("rest {:?}", t0.elapsed());
    print!("{}", bench.log_text());
}

#[test]
fn scratch() {
    try_it::<Latched>();
    try_it::<FixedWord>();
}
