//! Built-in drivers in hosts of `calwright` itself, and plug-ins in their place: the same over the same sockets, and
//! what changes from one to the other is what stands in the rig file.

use calwright::settings::Settings;
use calwright::wiring::{self, DRIVER_HOST};
use drivers::client::{Hosted, HostedOptions, Hosts, PLUG_IN, PlugIns, Program};
use drivers::{
    AcquisitionRequest, ChannelRequest, ErrorKind, Opened, PermitIssuer, Registry, StopReason, Tone,
    Transition,
};
use plan_schema::rig::Instrument;
use plan_schema::units::{Celsius, Hertz, SampleIndex, SamplesPerSecond, Seconds, Volts};
use serde_json::{Value, json};
use std::future::Future;
use std::sync::Arc;
use tests::host::{SourcePeer, frame_peer, trusted, wait_for};
use tests::program::{path_of_calwright, root};

fn run(test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    runtime.block_on(test);
}

const OPTIONS: HostedOptions =
    HostedOptions { reply_limit: Seconds::new(5.0), heartbeat_limit: Seconds::new(20.0) };

/// Every driver as a real run has it: each instrument in a host.
fn registry() -> (Registry, Arc<Hosts>) {
    let mut registry = Registry::default();
    let hosts = registry.hosts().clone();
    let program = Program::new(path_of_calwright().unwrap().to_owned(), [DRIVER_HOST.into()]);
    for inner in wiring::built_in().iter() {
        registry.add(Arc::new(Hosted::new(inner.clone(), program.clone(), hosts.clone(), OPTIONS)));
    }
    let folders = vec![root().join("examples/plug-ins")];
    registry.add(Arc::new(PlugIns::new(folders, hosts.clone(), OPTIONS)));
    (registry, hosts)
}

fn instrument(driver: &str, settings: &Value) -> Instrument {
    Instrument {
        name: "one".to_owned(),
        driver: driver.to_owned(),
        latency: Seconds::new(0.05),
        serial: None,
        certificate: None,
        settings: plan_schema::read::Table(settings.as_object().cloned().unwrap()),
    }
}

async fn open(registry: &Registry, instrument: &Instrument) -> Opened {
    let factory = registry.find(instrument).unwrap();
    assert_eq!(factory.check(instrument), Vec::<String>::new());
    factory.open(instrument).await.unwrap()
}

#[test]
fn the_source_is_swapped_by_lines_of_the_rig_file() {
    let built_in = |tcp: &str| {
        json!({ "link": { "tcp": tcp }, "error_query": "", "frequency": "SOUR1:FREQ {hz:.6}",
            "amplitude": "SOUR1:VOLT {v_peak:.6}", "amplitude_query": "SOUR1:VOLT?", "output_on": "OUTP1 ON",
            "output_off": "OUTP1 OFF", "output_query": "OUTP1?", "frequency_min": "0.1 Hz", "frequency_max": "20 kHz",
            "amplitude_max": "5 V pk" })
    };
    let plugged = |tcp: &str| json!({ "program": "sine_source.py", "tcp": tcp, "frequency_hz_max": 2e4, "amplitude_v_peak_max": 5.0 });
    for driver in ["scpi-source", PLUG_IN] {
        let peer = SourcePeer::default();
        let address = peer.listen().unwrap().to_string();
        let settings = if driver == PLUG_IN { plugged(&address) } else { built_in(&address) };
        run(async {
            let (registry, hosts) = registry();
            let mut opened = open(&registry, &instrument(driver, &settings)).await;
            assert_eq!(
                (opened.identity.serial.as_str(), opened.amplifier.is_some()),
                ("S-7", false),
                "{driver}"
            );
            assert!(opened.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
            let source = opened.source.as_mut().unwrap();
            assert_eq!(source.limits().amplitude_max, Volts::new(5.0));
            let (mut issuer, _gate) = PermitIssuer::new();
            let permit = issuer.grant(Volts::new(2.0));
            hosts.leave(permit.generation());
            let tone = Tone { frequency: Hertz::new(80.0), amplitude: Volts::new(1.5) };
            let applied =
                source.set_tone(&permit, Transition { tone, over: Seconds::new(0.1) }).await.unwrap();
            assert_eq!(applied.tone, tone, "{driver}");
            let told = |what: &str| peer.told().iter().any(|t| t == what).then_some(());
            wait_for("the amplitude", || told("SOUR1:VOLT 1.500000")).unwrap();
            told("SOUR1:FREQ 80.000000").unwrap();
            told("OUTP1 ON").unwrap();
            source.output_off(Seconds::new(0.05)).await.unwrap();
            let over = Tone { amplitude: Volts::new(2.5), ..tone };
            let error = source
                .set_tone(&permit, Transition { tone: over, over: Seconds::new(0.1) })
                .await
                .unwrap_err();
            assert!(
                error.kind == ErrorKind::OutOfRange && error.detail.contains("ceiling"),
                "{driver}: {error}"
            );
            let proof = opened.safe.make_safe(StopReason::RunEnded).await.unwrap();
            assert!(proof.is_safe() && proof.drive.is_some(), "{driver}: {proof:?}");
        });
    }
}

#[test]
fn the_acquisition_is_swapped_by_lines_of_the_rig_file() {
    let address = frame_peer(0.005).unwrap().to_string();
    let kinds = [
        ("stream-acquisition", json!({ "link": { "tcp": address } })),
        (PLUG_IN, json!({ "program": "frame_acquisition.py", "tcp": address })),
    ];
    for (driver, settings) in kinds {
        run(async {
            let (registry, _hosts) = registry();
            let mut opened = open(&registry, &instrument(driver, &settings)).await;
            let acquisition = opened.acquisition.as_mut().unwrap();
            let channels = (0..3).map(|input| ChannelRequest { input, range: Volts::new(10.0) }).collect();
            let want = AcquisitionRequest { rate: SamplesPerSecond::new(51200.0), frames: 256, channels };
            assert_eq!(acquisition.configure(&want).await.unwrap(), want, "{driver}");
            acquisition.start().await.unwrap();
            let mut next = SampleIndex(0);
            for _ in 0..30 {
                let block = acquisition.next_block(Seconds::new(20.0)).await.unwrap().unwrap();
                trusted(&block).unwrap();
                assert_eq!(block.first_sample, next + block.gap_before, "{driver}");
                next = block.end();
            }
            acquisition.stop().await.unwrap();
        });
    }
}

/// The wiring of a real run: every driver that there is, each of them in a host, plug-ins from the settings' folders.
#[test]
fn a_real_run_has_every_driver_and_the_plug_ins_of_the_settings() {
    let job = calwright::load::job(&root().join("examples/portable.toml")).unwrap().job;
    let settings =
        Settings { plug_in_folders: vec![root().join("examples/plug-ins")], ..Settings::default() };
    let registry = wiring::real(&job.rig, &settings).unwrap();
    let kinds = |r: &Registry| r.iter().map(|f| f.kind().to_owned()).collect::<Vec<_>>();
    assert_eq!(kinds(&registry), kinds(&wiring::built_in()));
    run(async {
        let skeleton = json!({ "program": "skeleton.py", "temperature_degc": 21.5 });
        let mut opened = open(&registry, &instrument(PLUG_IN, &skeleton)).await;
        let reading = opened.ambient.as_mut().unwrap().read().await.unwrap();
        assert!(reading.temperature == Celsius::new(21.5) && reading.humidity.is_none());
        // The list of drivers opens nothing.
        let listed = wiring::built_in();
        let one = instrument(PLUG_IN, &skeleton);
        assert_eq!(listed.find(&one).unwrap().open(&one).await.err().unwrap().kind, ErrorKind::Unsupported);
    });
}
