//! Noise, converter, determinism, and the manners of the acquisition.

use crate::bench::{Bench, wait};
use crate::facts::{Facts, RATE, no_faults};
use drivers::{AcquisitionRequest, Block, ChannelRequest, ErrorKind, Tone, Transition};
use plan_schema::units::{Hertz, SampleIndex, SamplesPerSecond, Seconds, Volts};

fn noisy() -> Facts {
    Facts { noise: "50 uV rms", density: "100 ug/sqrtHz", bits: 24, spread: "3 %", ..Facts::default() }
}

/// Blocks of a short run with a tone, as bits.
fn record(facts: &Facts, seed: u64, frames: u32, blocks: usize) -> Vec<Block> {
    let mut bench = Bench::with(facts, seed, &no_faults(), frames);
    bench.unmute();
    bench.tone(50.0, 1.0);
    (0..blocks).map(|_| bench.block().unwrap()).collect()
}

fn bits(blocks: &[Block], channel: usize) -> Vec<u32> {
    blocks.iter().flat_map(|b| b.channel(channel).iter().map(|v| v.to_bits())).collect()
}

fn rms(samples: &[f64]) -> f64 {
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    (samples.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / samples.len() as f64).sqrt()
}

/// Noise at rest: the channel's alone, and with the sensor's 100 µg/√Hz × 20 mV/(m/s²) over 5 kHz in quadrature.
#[test]
fn noise_is_as_large_as_stated() {
    let own = rms(&Bench::new(&Facts { density: "0 ug/sqrtHz", spread: "0 %", ..noisy() }).run(10.0)[1]);
    let both = rms(&Bench::new(&Facts { spread: "0 %", ..noisy() }).run(10.0)[1]);
    let sensor = 100e-6 * 9.80665 * 0.020 * (RATE / 2.0f64).sqrt();
    // 100,000 samples: the rms is known to 1/√200,000; four of these.
    let error = 4.0 / 200_000f64.sqrt();
    assert!((own / 50e-6 - 1.0).abs() < error, "{own}");
    assert!((both / (50e-6f64).hypot(sensor) - 1.0).abs() < error, "{both}");
}

#[test]
fn the_same_seed_gives_the_same_bits_however_time_is_cut() {
    let whole = record(&noisy(), 7, 600, 10);
    assert_eq!(whole, record(&noisy(), 7, 600, 10));
    assert_eq!(bits(&whole, 1), bits(&record(&noisy(), 7, 37, 163), 1)[..6000]);
    assert_ne!(bits(&whole, 1), bits(&record(&noisy(), 8, 600, 10), 1));
}

/// A sensor without mass on another channel changes nothing for the others: not their noise, not their errors.
#[test]
fn another_sensor_leaves_the_others_as_they_were() {
    let alone = record(&noisy(), 7, 500, 10);
    let facts = Facts {
        sensors: vec!["", "natural_frequency = \"900 Hz\"\ndamping_ratio = \"70 %\"", ""],
        ..noisy()
    };
    let joined = record(&facts, 7, 500, 10);
    for channel in 0..2 {
        assert_eq!(bits(&alone, channel), bits(&joined, channel), "channel {channel}");
    }
}

/// 8 bits over ±10 V: steps of 78.125 mV.
#[test]
fn samples_lie_on_the_converters_steps() {
    let facts = Facts { bits: 8, ..noisy() };
    let mut bench = Bench::new(&facts);
    bench.unmute();
    bench.tone(50.0, 4.0);
    let samples = &bench.run(0.5)[1];
    assert!(samples.iter().any(|v| v.abs() > 0.07));
    assert!(samples.iter().all(|v| (v / 0.078_125).fract().abs() < 1e-9));
}

/// Over many seeds the ratio of two channels has the stated spread: U = 1 %, k = 2.
#[test]
fn channels_differ_by_their_stated_ratio() {
    let facts = Facts { ratio: "1 %", ..Facts::default() };
    let seeds = 200u32;
    let mut sum = 0.0;
    for seed in 0..seeds {
        let mut bench = Bench::with(&facts, u64::from(seed), &no_faults(), 1000);
        bench.unmute();
        bench.tone(50.0, 1.0);
        let channels = bench.run(0.3);
        sum += (channels[1][2500] / channels[0][2500] / 2.0 - 1.0).powi(2);
    }
    let spread = (sum / f64::from(seeds)).sqrt();
    assert!((spread / 0.005 - 1.0).abs() < 4.0 / f64::from(2 * seeds).sqrt(), "{spread}");
}

#[test]
fn time_moves_with_blocks_only() {
    let mut bench = Bench::new(&Facts::default());
    assert_eq!(bench.rig.now().0, 0);
    bench.unmute();
    bench.tone(5.0, 0.1);
    assert_eq!(bench.rig.now().0, 0);
    let first = bench.block().unwrap();
    assert_eq!((first.first_sample, first.frames(), first.gap_before.0), (SampleIndex(0), 200, 0));
    assert_eq!(bench.rig.now().0, 20_000_000);
    // A wait that is too short brings nothing, and nothing is lost.
    assert_eq!(wait(bench.acquisition.next_block(Seconds::new(0.005))).unwrap(), None);
    assert_eq!(bench.rig.now().0, 25_000_000);
    assert_eq!(wait(bench.acquisition.next_block(Seconds::new(0.0))).unwrap(), None);
    let second = bench.block().unwrap();
    assert_eq!((second.first_sample, second.gap_before.0), (SampleIndex(200), 0));
    assert_eq!(bench.rig.now().0, 40_000_000);
}

#[test]
fn settings_that_cannot_be_are_refused() {
    let mut bench = Bench::new(&Facts::default());
    let channel = ChannelRequest { input: 0, range: Volts::new(10.0) };
    let want = AcquisitionRequest { rate: SamplesPerSecond::new(RATE), frames: 100, channels: vec![channel] };
    let kind = |want: &AcquisitionRequest, bench: &mut Bench| {
        wait(bench.acquisition.configure(want)).map(|_| ()).map_err(|e| e.kind)
    };
    assert_eq!(kind(&want, &mut bench), Err(ErrorKind::Busy));
    assert_eq!(wait(bench.acquisition.start()).map_err(|e| e.kind), Err(ErrorKind::Busy));
    wait(bench.acquisition.stop()).unwrap();
    assert_eq!(
        wait(bench.acquisition.next_block(Seconds::new(1.0))).map_err(|e| e.kind),
        Err(ErrorKind::Protocol)
    );
    for bad in [
        AcquisitionRequest { rate: SamplesPerSecond::new(9999.0), ..want.clone() },
        AcquisitionRequest { frames: 0, ..want.clone() },
        AcquisitionRequest { channels: vec![], ..want.clone() },
        AcquisitionRequest { channels: vec![channel, channel], ..want.clone() },
        AcquisitionRequest { channels: vec![ChannelRequest { input: 9, ..channel }], ..want.clone() },
        AcquisitionRequest {
            channels: vec![ChannelRequest { range: Volts::new(0.0), ..channel }],
            ..want.clone()
        },
    ] {
        assert_eq!(kind(&bad, &mut bench), Err(ErrorKind::OutOfRange), "{bad:?}");
    }
    assert_eq!(kind(&want, &mut bench), Ok(()));
    wait(bench.acquisition.start()).unwrap();
    assert_eq!(bench.block().unwrap().first_sample, SampleIndex(0));

    let off_the_scale = [(5.0, 5.1, 0.0), (0.0, 1.0, 0.0), (6000.0, 1.0, 0.0), (5.0, f64::NAN, 0.0)];
    for (frequency, amplitude, over) in
        off_the_scale.into_iter().chain([(5.0, 1.0, -1.0), (5.0, 1.0, f64::NAN)])
    {
        let tone = Tone { frequency: Hertz::new(frequency), amplitude: Volts::new(amplitude) };
        let want = Transition { tone, over: Seconds::new(over) };
        let refused = wait(bench.source.set_tone(&bench.permit, want)).unwrap_err();
        assert_eq!(refused.kind, ErrorKind::OutOfRange, "{refused}");
    }
    let applied = bench.tone(16.000_000_4, 0.123_456);
    assert_eq!((applied.frequency.si(), applied.amplitude.si()), (16.0, 0.123_45));
}

/// Only the roles of the rig file; a stranger is refused; without a world nothing opens.
#[test]
fn instruments_open_in_their_roles() {
    let job = Facts::default().job();
    let rig = sim::SimulatedRig::new(&job, 1, &no_faults()).unwrap();
    let factory = rig.factory("other");
    assert_eq!(factory.kind(), "other");
    let generator = wait(factory.open(&job.rig.instruments[0])).unwrap();
    let power = wait(factory.open(&job.rig.instruments[1])).unwrap();
    let roles = |o: &drivers::Opened| {
        [
            o.source.is_some(),
            o.amplifier.is_some(),
            o.acquisition.is_some(),
            o.ambient.is_some(),
            o.contacts.is_some(),
        ]
    };
    assert_eq!(roles(&generator), [true, false, true, false, false]);
    assert_eq!(roles(&power), [false, true, false, true, true]);
    let reading = wait(power.ambient.unwrap().read()).unwrap();
    assert!((reading.temperature.si() - 23.0).abs() < 1e-12 && reading.humidity.is_some());

    let mut stranger = job.rig.instruments[0].clone();
    stranger.name = "stranger".to_owned();
    assert_eq!(wait(factory.open(&stranger)).map(|_| ()).map_err(|e| e.kind), Err(ErrorKind::Unsupported));
    let listed = sim::listing();
    assert_eq!(listed.kind(), sim::KIND);
    let refused = wait(listed.open(&job.rig.instruments[0])).map(|_| ()).unwrap_err();
    assert!(refused.to_string().contains("dry-run"), "{refused}");
    stranger.settings.0.insert("port".to_owned(), 1.into());
    assert_eq!(listed.check(&stranger).len(), 1);
}
