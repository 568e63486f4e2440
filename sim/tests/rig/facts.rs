//! The job that the tests run: its files as texts, with the facts that tests vary.

use plan_schema::faults::Faults;
use plan_schema::read::Document;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::Kilograms;
use std::f64::consts::TAU;

/// Samples per second of every rig here.
pub(crate) const RATE: f64 = 10_000.0;

/// Latencies in the texts below, in samples.
pub(crate) const SOURCE_LATENCY: usize = 50;
pub(crate) const AMPLIFIER_LATENCY: usize = 20;

/// Facts of a portable rig: everything exact, nothing noisy, unless a test says otherwise.
#[derive(Debug, Clone)]
pub(crate) struct Facts {
    pub(crate) mode: &'static str,
    pub(crate) mute: &'static str,
    pub(crate) current_limit: &'static str,
    pub(crate) voltage_limit: &'static str,
    pub(crate) stop: &'static str,
    pub(crate) noise: &'static str,
    pub(crate) bits: u32,
    pub(crate) ratio: &'static str,
    pub(crate) spread: &'static str,
    pub(crate) offset: &'static str,
    pub(crate) temperature: &'static str,
    pub(crate) reference_points: &'static str,
    /// Lines of each sensor beside those that all share; serials are S1, S2, … on channels ch1, ch2, …
    pub(crate) sensors: Vec<&'static str>,
    pub(crate) density: &'static str,
    /// Kind of all sensors, and their transverse sensitivity.
    pub(crate) kind: &'static str,
    pub(crate) cross_axis: &'static str,
    /// Mass of the first sensor in kg.
    pub(crate) payload: f64,
    /// Phase, transverse motion, mounting and temperature among the rig's errors.
    pub(crate) errors: [&'static str; 4],
    /// Lines of the simulated source, of the simulated acquisition, and of the spread, beside those below.
    pub(crate) source: &'static str,
    pub(crate) acquisition: &'static str,
    pub(crate) more_spread: &'static str,
    /// Lines that every channel has beside those below.
    pub(crate) channel: &'static str,
    /// Lines of the shaker beside those below.
    pub(crate) shaker: &'static str,
    /// Tables of the rig beside those below.
    pub(crate) tables: &'static str,
    /// Drift of the reference in a year.
    pub(crate) drift: &'static str,
    /// Channels beside one for the reference and one for each sensor.
    pub(crate) more_channels: usize,
    /// Lines of each mounted sensor beside those that all share; none for those behind the last.
    pub(crate) mounted: Vec<&'static str>,
    /// Registered references beside the one below.
    pub(crate) references: &'static str,
    /// Whether the job lists its sensors the other way round.
    pub(crate) backwards: bool,
}

pub(crate) const FLAT: &str = r#"
[[reference.calibration.point]]
frequency = "0.1 Hz"
sensitivity = "10 mV/(m/s2)"
u = "1e-9 %"
[[reference.calibration.point]]
frequency = "4 kHz"
sensitivity = "10 mV/(m/s2)"
u = "1e-9 %"
"#;

impl Default for Facts {
    fn default() -> Self {
        Self {
            mode: "voltage",
            mute: "shorts",
            current_limit: "3.5 A pk",
            voltage_limit: "24 V pk",
            stop: "6.5 mm pk",
            noise: "0 V rms",
            bits: 32,
            ratio: "0 %",
            spread: "0 %",
            offset: "0 V",
            temperature: "23 °C",
            reference_points: FLAT,
            sensors: vec![""],
            density: "0 ug/sqrtHz",
            kind: "dc_mems",
            cross_axis: "0 %",
            payload: 0.0,
            errors: ["0 deg", "0 %", "0 %", "0 K"],
            source: "",
            acquisition: "",
            more_spread: "",
            channel: "",
            shaker: "",
            tables: "",
            drift: "0 %",
            more_channels: 0,
            mounted: Vec::new(),
            references: "",
            backwards: false,
        }
    }
}

/// True parameters of the rig below without spread and payload.
pub(crate) struct Shaker {
    pub(crate) mass: f64,
    pub(crate) stiffness: f64,
    pub(crate) damping: f64,
    pub(crate) force_factor: f64,
    pub(crate) resistance: f64,
    pub(crate) inductance: f64,
    pub(crate) gain: f64,
    pub(crate) corner: f64,
}

pub(crate) fn shaker() -> Shaker {
    let (mass, stiffness) = (0.3, 189.5);
    Shaker {
        mass,
        stiffness,
        damping: 2.0 * 0.05 * f64::sqrt(stiffness * mass),
        force_factor: 9.0,
        resistance: 3.0,
        inductance: 0.3e-3,
        gain: 4.0,
        corner: TAU * 20e3,
    }
}

impl Facts {
    fn rig(&self) -> String {
        let channels: String = (0..=self.sensors.len() + self.more_channels)
            .map(|n| {
                let more = self.channel;
                format!("[[channel]]\nname = \"ch{n}\"\ninput = {n}\nrange = \"10 V pk\"\n{more}\n")
            })
            .collect();
        let [phase, transverse, mounting, surface] = self.errors;
        format!(
            r#"
format = 1
name = "bench"
{channels}
[shaker]
rated_stroke = "5 mm pk"
stop = "{stop}"
static_allowance = "0.1 mm"
velocity_limit = "2 m/s pk"
acceleration_limit = "200 m/s2 pk"
force_limit = "32 N pk"
drive_limit = "5 V pk"
moving_mass = "300 g"
stiffness = "189.5 N/m"
damping_ratio = "5 %"
force_factor = "9 N/A"
coil_resistance = "3 ohm"
coil_inductance = "0.3 mH"
{coil}
[amplifier]
mode = "{mode}"
mute = "{mute}"
{gain}
voltage_limit = "{volts}"
current_limit = "{amperes}"
[[instrument]]
name = "box"
driver = "simulated"
[[instrument]]
name = "amp"
driver = "simulated"
[roles]
source = "box.source"
acquisition = "box.acquisition"
amplifier = "amp.amplifier"
ambient = "amp.ambient"
contacts = "amp.contacts"
[acquisition]
rate = "10 kS/s"
[reference]
serial = "R1"
channel = "ch0"
[errors]
channel_ratio = "{ratio}"
channel_phase = "{phase}"
transverse_motion = "{transverse}"
mounting = "{mounting}"
temperature = "{surface}"
[[safe_path]]
action = "source_off"
time = "30 ms"
[simulation.source]
offset = "{offset}"
{source}
[simulation.acquisition]
bits = {bits}
noise = "{noise}"
{acquisition}
[simulation.room]
temperature = "{temperature}"
drift_per_hour = "0 K"
[simulation.spread]
sensitivity = "{spread}"
shaker = "{spread}"
{more_spread}
{tables}
"#,
            stop = self.stop,
            mode = self.mode,
            mute = self.mute,
            gain = if self.mode == "voltage" { "gain = \"4 V/V\"" } else { "transconductance = \"0.5 A/V\"" },
            volts = self.voltage_limit,
            amperes = self.current_limit,
            ratio = self.ratio,
            offset = self.offset,
            bits = self.bits,
            noise = self.noise,
            temperature = self.temperature,
            spread = self.spread,
            source = self.source,
            acquisition = self.acquisition,
            more_spread = self.more_spread,
            coil = self.shaker,
            tables = self.tables,
        )
    }

    fn sensors(&self) -> String {
        let mut text = "format = 1\n".to_owned();
        for (n, extra) in self.sensors.iter().enumerate() {
            text.push_str(&format!(
                r#"
[[sensor]]
serial = "S{}"
make = "Invented Instruments"
model = "I-1"
kind = "{}"
nominal_sensitivity = "20 mV/(m/s2)"
range = "200 m/s2 pk"
mass = "1 g"
noise_density = "{}"
transverse_sensitivity = "{}"
temperature_coefficient = "0.1 %/K"
{extra}
"#,
                n + 1,
                self.kind,
                self.density,
                self.cross_axis
            ));
        }
        text
    }

    fn references(&self) -> String {
        format!(
            r#"
format = 1
[[reference]]
serial = "R1"
make = "Invented Instruments"
model = "I-R"
calibrated_as = "chain"
range = "500 m/s2 pk"
noise_density = "{}"
transverse_sensitivity = "0 %"
temperature_coefficient = "0 %/K"
drift_per_year = "{}"
[[reference.calibration]]
certificate = "C-1"
laboratory = "Invented Laboratory"
date = 2026-01-15
due = 2027-01-15
{}
{}
"#,
            self.density, self.drift, self.reference_points, self.references
        )
    }

    pub(crate) fn job(&self) -> ResolvedJob {
        let mounted: String = (1..=self.sensors.len())
            .map(|n| {
                let more = self.mounted.get(n - 1).copied().unwrap_or_default();
                format!(
                    "[[mounted]]\nsensor = \"S{n}\"\nchannel = \"ch{n}\"\nmounting = \"stud\"\nadapter_mass = \"0 g\"\n{more}\n"
                )
            })
            .collect();
        let job = format!(
            "format = 1\nplan = \"p\"\nrig = \"r\"\nsensors = \"s\"\nreferences = \"f\"\noperator = \"A. Person\"\n{mounted}"
        );
        let point = |f: f64| format!("[[point]]\nfrequency = \"{f} Hz\"\namplitude = \"0.01 m/s2 pk\"\n");
        let points: String = POINTS.iter().map(|f| point(*f)).collect();
        let files = JobFiles {
            job: Document::read("job", &job).unwrap(),
            plan: Document::read("plan", &format!("format = 1\nname = \"bench\"\n{points}")).unwrap(),
            rig: Document::read("rig", &self.rig()).unwrap(),
            sensors: Document::read("sensors", &self.sensors()).unwrap(),
            references: Document::read("references", &self.references()).unwrap(),
        };
        let mut resolved = ResolvedJob::resolve(&files).unwrap_or_else(|report| panic!("{report}")).0;
        for (n, mounted) in resolved.sensors.iter_mut().enumerate() {
            // No register takes a sensor without mass, but the closed forms are simplest without.
            mounted.sensor.mass = Kilograms::new(if n == 0 { self.payload } else { 0.0 });
        }
        for mounted in &mut resolved.check_standards {
            mounted.sensor.mass = Kilograms::ZERO;
        }
        if self.backwards {
            resolved.sensors.reverse();
        }
        resolved
    }
}

/// Frequencies of the plan.
pub(crate) const POINTS: [f64; 4] = [0.5, 5.0, 50.0, 500.0];

/// Faults from the tables of a faults file.
pub(crate) fn faults(tables: &str) -> Faults {
    Document::read("faults", &format!("format = 1\n{tables}")).unwrap().value
}

pub(crate) fn no_faults() -> Faults {
    faults("fault = []\n")
}
