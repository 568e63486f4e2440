//! What a run stores of its files comes back as it was.

use super::{from_json, to_json};
use crate::faults::Faults;
use crate::fixture::{FAULTS, JOB, PLAN, REFERENCES, RIG, SENSORS, edit};
use crate::job::{Job, MountedRole};
use crate::plan::{Order, Plan, Point, Soak};
use crate::read::{Document, Written};
use crate::registers::{CoverageFactor, Date, ReferenceCalibration, ReferenceRegister, SensorRegister};
use crate::rig::Rig;
use crate::units::{Accel, Amplitude, Displacement, Fraction, Hertz, Kelvins, Seconds, Velocity};
use proptest::prelude::*;
use serde_json::{Value, json};
use std::fmt::Debug;

/// Stores and reads back, once by way of the bytes that a record holds.
fn round_trip<T: Written + serde::Serialize + PartialEq + Debug>(value: &T) {
    let stored = to_json(value);
    assert!(!stored.to_string().contains("null"), "an absent key is left out: {stored}");
    let bytes = serde_json::to_vec_pretty(&stored).unwrap();
    let loaded: Value = serde_json::from_slice(&bytes).unwrap();
    assert_eq!(&from_json::<T>("run.json", &loaded).unwrap(), value);
}

fn written<T: Written>(text: &str) -> T {
    Document::read("fixture.toml", text).unwrap().value
}

#[test]
fn every_kind_of_file_comes_back() {
    round_trip::<Plan>(&written(PLAN));
    round_trip::<Job>(&written(JOB));
    round_trip::<Rig>(&written(RIG));
    round_trip::<SensorRegister>(&written(SENSORS));
    round_trip::<ReferenceRegister>(&written(REFERENCES));
    round_trip::<Faults>(&written(FAULTS));
}

/// Every key that a file may leave out, written down with a value that is not its default.
#[test]
fn what_is_seldom_written_comes_back() {
    let keys = "order = \"as_written\"\nscatter_limit = \"0.2 %\"\ndwell_limit = \"2 min\"\ndrift_limit = \"0.3 %\"\n\
                repeat_limit = \"0.4 %\"\nhum_limit = \"2 %\"\nclosing_point = false\n\n[soak]\nsteady = \"200 mK\"\n\
                over = \"2 min\"\nlongest = \"1 h\"\n\n[decision]";
    let plan: Plan = written(&edit(PLAN, "[decision]", keys));
    assert_eq!((plan.order, plan.closing_point), (Order::AsWritten, false));
    assert_eq!(plan.soak.as_ref().map(|s| (s.over.si(), s.longest.si())), Some((120.0, 3600.0)));
    round_trip(&plan);
    let job = edit(JOB, "order = \"X-1\"", "order = \"X-1\"\nsoaked = \"10 min\"");
    let role = "sensor = \"S-2\"\nrole = \"check standard\"\nsupply_channel = \"spare\"";
    let job: Job = written(&edit(&job, "sensor = \"S-2\"", role));
    assert_eq!((job.soaked.si(), job.mounted[1].role), (600.0, MountedRole::CheckStandard));
    round_trip(&job);
    let second = "\n[second_reference]\nserial = \"R-2\"\nchannel = \"spare\"\n\n[simulation.spread]\n\
                  amplifier_gain = \"3 %\"\nmoving_mass = \"1 %\"\nstiffness = \"5 %\"\nforce_factor = \"2 %\"\n\
                  coil_resistance = \"2 %\"\n\n[errors]";
    let rig: Rig = written(&edit(RIG, "\n[errors]", second));
    assert_eq!(to_json(&rig)["second_reference"], json!({ "serial": "R-2", "channel": "spare" }));
    round_trip(&rig);
    let lines = "mass = \"10 g\"\nsoak_time = \"5 min\"\nfrequency_min = \"1 Hz\"\nfrequency_max = \"2 kHz\"\n\
                 zero_tolerance = \"10 mV\"\nbias = \"11 V\"\nbias_low = \"8 V\"\nbias_high = \"14 V\"\n\
                 supply_tolerance = \"2 %\"\nsensitivity_tolerance = \"10 %\"\n\
                 expected = [{ frequency = \"1 Hz\", sensitivity = \"101 mV/g\", limit = \"1 %\" }]";
    let sensors: SensorRegister = written(&edit(SENSORS, "mass = \"10 g\"", lines));
    let stored = to_json(&sensors);
    let limit = &stored["sensor"][1]["expected"][0]["limit"];
    assert_eq!((limit, &stored["sensor"][1]["bias_high"]), (&json!("1 %"), &json!("14 V")));
    round_trip(&sensors);
}

/// Every key of the electrical chain, of fixtures and of mounting.
#[test]
fn chains_come_back() {
    let channel = "name = \"spare\"\ncoupling = \"ac\"\nac_corner = \"0.16 Hz\"\nac_corner_u = \"5 %\"\nfilter_corner = \
                   \"5 kHz\"\nfilter_corner_u = \"2 %\"\ndelay = \"20 µs\"\ndelay_u = \"1 µs\"\ngain = [{ range = \"5 V \
                   pk\", gain = \"1.0013 V/V\", u = \"0.03 %\", due = 2000-09-30 }]\nconditioner = \"K-1\"\n\
                   conditioner_gain = \"1.003 mV/pC\"\nconditioner_u = \"0.1 %\"\nconditioner_u_phase = \"0.1 deg\"\n\
                   conditioner_due = 2000-03-31\nresponse = [{ frequency = \"10 Hz\", magnitude = \"99.7 %\", phase = \
                   \"-0.3 deg\" }]";
    let fixture = "[[fixture]]\nname = \"plate\"\nmass = \"200 g\"\npoint = [{ position = \"A\", frequency = \"1 Hz\", \
                   ratio = \"100.1 %\", u = \"0.1 %\" }]\n\n[roles]";
    let shaker = "payload_limit = \"500 g\"\ncentring = \"0.1 mm\"\nmoving_mass";
    let text = edit(&edit(RIG, "name = \"spare\"", channel), "[roles]", fixture);
    let rig: Rig = written(&edit(&text, "moving_mass", shaker));
    let stored = to_json(&rig);
    assert_eq!(stored["channel"][3]["gain"][0]["due"], json!("2000-09-30"));
    assert_eq!(stored["fixture"][0]["point"][0]["position"], json!("A"));
    round_trip(&rig);
    let mounting = "mounting = \"adhesive\"\nfixture = \"plate\"\nposition = \"A\"\narrow = \"against_motion\"\ntorque = \"2 \
                    N·m\"\ntorque_wrench = \"W-1\"\nadapter = \"A-1\"\ncable_tied_at = \"40 mm\"";
    let job: Job = written(&edit(JOB, "mounting = \"adhesive\"", mounting));
    assert_eq!(to_json(&job)["mounted"][1]["arrow"], json!("against_motion"));
    round_trip(&job);
    let current =
        "mass = \"10 g\"\nzero_current = \"12 mA\"\ncurrent_low = \"4 mA\"\ncurrent_high = \"20 mA\"";
    let sensors = edit(&edit(SENSORS, "mass = \"10 g\"", current), "\"100 mV/g\"", "\"1.6 mA/g\"");
    round_trip::<SensorRegister>(&written(&sensors));
    let chain = "certificate = \"C-2\"\ncorrelation = 0.9\nconditioner = \"K-1\"\nconditioner_gain = \"1 mV/pC\"\n\
                 amplitude_min = \"1 m/s2 pk\"\namplitude_max = \"300 m/s2 pk\"";
    let references = edit(REFERENCES, "certificate = \"C-2\"", chain);
    let references = edit(&references, "range = \"8 g pk\"", "range = \"8 g pk\"\nsupply = \"10 V\"");
    round_trip::<ReferenceRegister>(&written(&references));
}

#[test]
fn a_record_has_the_keys_of_the_file() {
    let references = to_json(&written::<ReferenceRegister>(REFERENCES));
    let calibration = &references["reference"][0]["calibration"][0];
    assert_eq!(calibration["coverage_factor"], json!(2.05));
    assert_eq!(calibration["date"], json!("1997-06-10"));
    assert_eq!(
        calibration["point"][0],
        json!({ "frequency": "0.5 Hz", "sensitivity": "0.1 V/(m/s2)", "u": "0.5 %" })
    );
    let rig = to_json(&written::<Rig>(RIG));
    assert_eq!(rig["instrument"][2]["settings"]["filters"], json!([true, false]));
    assert_eq!(rig["instrument"][2]["settings"]["skew"], json!(1.5e-6));
}

#[test]
fn a_damaged_record_is_refused() {
    let mut plan = to_json(&written::<Plan>(PLAN));
    plan["point"][0]["frequency"] = json!("1 parsec");
    let first = from_json::<Plan>("run.json", &plan).unwrap_err().to_string();
    let mut rig = to_json(&written::<Rig>(RIG));
    rig["instrument"][0]["settings"]["id"] = json!(u64::MAX);
    let second = from_json::<Rig>("run.json", &rig).unwrap_err().to_string();
    let third = from_json::<Plan>("run.json", &json!("gone")).unwrap_err().to_string();
    let fourth =
        from_json::<Plan>("run.json", &json!({ "format": 1, "point": [null] })).unwrap_err().to_string();
    insta::with_settings!({ omit_expression => true }, {
        insta::assert_snapshot!([first, second, third, fourth].join("\n\n"));
    });
}

/// Any finite number that a quantity can hold, zero and both signs included.
fn any_finite() -> impl Strategy<Value = f64> {
    prop_oneof![proptest::num::f64::NORMAL, proptest::num::f64::SUBNORMAL, Just(0.0), -1e3..1e3f64]
}

fn any_amplitude() -> impl Strategy<Value = Amplitude> {
    prop_oneof![
        any_finite().prop_map(|x| Amplitude::Acceleration(Accel::new(x))),
        any_finite().prop_map(|x| Amplitude::Velocity(Velocity::new(x))),
        any_finite().prop_map(|x| Amplitude::Displacement(Displacement::new(x))),
    ]
}

fn any_point() -> impl Strategy<Value = Point> {
    let optional = || proptest::option::of(any_finite().prop_map(Fraction::new));
    (any_finite(), any_amplitude(), proptest::option::of(any::<u32>()), any::<u32>(), optional(), optional())
        .prop_map(|(frequency, amplitude, dwell_cycles, repeats, tolerance, distortion_limit)| Point {
            frequency: Hertz::new(frequency),
            amplitude,
            dwell_cycles,
            repeats,
            tolerance,
            distortion_limit,
        })
}

/// Values for a driver's settings, as deep and strange as JSON allows, without nulls.
fn any_setting() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any_finite().prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 24, 4, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
            proptest::collection::btree_map(any::<String>(), inner, 0..4)
                .prop_map(|map| Value::Object(map.into_iter().collect())),
        ]
    })
}

proptest! {
    #[test]
    fn any_plan_comes_back(
        name: String, points in proptest::collection::vec(any_point(), 0..4), limit in any_finite(),
        soak in proptest::option::of((any_finite(), any_finite(), any_finite())), closing: bool, as_written: bool,
        shares in [any_finite(), any_finite(), any_finite(), any_finite()],
    ) {
        let mut plan: Plan = written(PLAN);
        plan.name = name;
        plan.points = points;
        plan.settle_limit = Seconds::new(limit);
        plan.soak = soak.map(|(steady, over, longest)| Soak {
            steady: Kelvins::new(steady),
            over: Seconds::new(over),
            longest: Seconds::new(longest),
        });
        plan.closing_point = closing;
        plan.order = if as_written { Order::AsWritten } else { Order::Fastest };
        [plan.scatter_limit, plan.drift_limit, plan.repeat_limit, plan.hum_limit] = shares.map(Fraction::new);
        round_trip(&plan);
    }

    #[test]
    fn any_settings_come_back(settings in proptest::collection::btree_map(any::<String>(), any_setting(), 0..4), name: String) {
        let mut rig: Rig = written(RIG);
        rig.instruments[0].settings = crate::read::Table(settings.into_iter().collect());
        rig.instruments[1].name = name;
        round_trip(&rig);
    }

    #[test]
    fn any_calibration_comes_back(k in 1.0..=10.0f64, year in 1900..2100u16, month in 1..=12u8, day in 1..=28u8) {
        let mut register: ReferenceRegister = written(REFERENCES);
        let calibration: &mut ReferenceCalibration = &mut register.references[0].calibrations[0];
        calibration.coverage_factor = CoverageFactor(k);
        calibration.due = Date { year, month, day };
        round_trip(&register);
    }
}
