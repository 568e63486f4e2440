//! The files that describe a rig, its sensors and a job on it.

use super::{AMPLIFIER_LATENCY, Machine, SOURCE_LATENCY};
use plan_schema::read::Document;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::Kilograms;

impl Machine {
    fn rig(&self, sensors: usize, range: f64) -> String {
        let channels: String = (0..=sensors)
            .map(|n| format!("[[channel]]\nname = \"ch{n}\"\ninput = {n}\nrange = \"{range} V pk\"\n"))
            .collect();
        let maybe = |key: &str, value: Option<f64>, unit: &str| {
            value.map_or(String::new(), |v| format!("{key} = \"{v} {unit}\"\n"))
        };
        let (coefficient, capacity, heat_resistance) = self.heat;
        let warms = capacity > 0.0;
        let heat = maybe("coil_heat_capacity", warms.then_some(capacity), "J/K")
            + &maybe("coil_heat_resistance", warms.then_some(heat_resistance), "K/W")
            + &maybe("coil_temperature_limit", self.coil_limit, "°C");
        let (mode, gain, offset) = if self.current_mode {
            ("current", "transconductance = \"1 A/V\"", format!("offset_current = \"{} A\"", self.offset))
        } else {
            ("voltage", "gain = \"1 V/V\"", format!("offset = \"{} V\"", self.offset))
        };
        // So that what a payload does to an upright rig can be looked at without an allowance for it.
        let centring = if self.vertical { "centring = \"0 m\"" } else { "" };
        format!(
            r#"
format = 1
name = "{name}"
orientation = "{orientation}"
{channels}
[shaker]
rated_stroke = "{rated} m pk"
stop = "{stop} m pk"
static_allowance = "0 m"
velocity_limit = "10 m/s pk"
acceleration_limit = "1000 m/s2 pk"
force_limit = "1000 N pk"
drive_limit = "{volts} V pk"
moving_mass = "{mass} kg"
stiffness = "{stiffness} N/m"
damping_ratio = "{damping_ratio} 1"
force_factor = "{force_factor} N/A"
coil_resistance = "{resistance} ohm"
coil_inductance = "{inductance} H"
suspension_hardening = "{hardening} 1"
force_factor_droop = "{droop} 1"
centre_error = "{centre_error} m"
{centring}
tilt = "{tilt} rad"
tilt_along_stroke = "{tilt_along} rad/m"
resistance_coefficient = "{coefficient} 1/K"
{heat}
[amplifier]
mode = "{mode}"
mute = "{mute}"
{gain}
{offset}
bandwidth = "{bandwidth} Hz"
voltage_limit = "{volts} V pk"
current_limit = "{amperes} A pk"
{watchdog}
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
[acquisition]
rate = "10 kS/s"
[reference]
serial = "R1"
channel = "ch0"
[errors]
channel_ratio = "0 %"
channel_phase = "0 deg"
transverse_motion = "0 %"
mounting = "0 %"
temperature = "0 K"
[[safe_path]]
action = "source_off"
time = "30 ms"
[simulation.source]
output_limit = "1000 V pk"
amplitude_step = "1e-12 V pk"
latency = "{source_latency} s"
[simulation.amplifier]
latency = "{amplifier_latency} s"
[simulation.acquisition]
bits = 32
noise = "0 V rms"
[simulation.room]
drift_per_hour = "0 K"
[simulation.spread]
sensitivity = "0 %"
shaker = "0 %"
"#,
            name = self.name,
            orientation = if self.vertical { "vertical" } else { "horizontal" },
            rated = self.rated,
            stop = self.stop,
            volts = self.volts,
            mass = self.mass,
            stiffness = self.stiffness,
            damping_ratio = self.damping_ratio,
            force_factor = self.force_factor,
            resistance = self.resistance,
            inductance = self.inductance,
            hardening = self.hardening,
            droop = self.droop,
            centre_error = self.centre_error,
            tilt = self.tilt,
            tilt_along = self.tilt_along,
            mute = if self.opens { "opens" } else { "shorts" },
            bandwidth = self.bandwidth,
            amperes = self.amperes,
            watchdog = maybe("watchdog", self.watchdog, "s"),
            source_latency = SOURCE_LATENCY,
            amplifier_latency = AMPLIFIER_LATENCY,
        )
    }

    /// The job of sensors with these lines in the register on this rig; `range` in V is that of every channel. The
    /// reference shows 1 V/(m/s²), the sensors 2 V/(m/s²).
    #[must_use]
    pub(crate) fn job(&self, sensors: &[&str], range: f64, density: &str) -> ResolvedJob {
        let mut register = "format = 1\n".to_owned();
        let mut mounted = String::new();
        for (n, lines) in sensors.iter().enumerate() {
            let n = n + 1;
            register.push_str(&format!(
                "[[sensor]]\nserial = \"S{n}\"\nmake = \"Invented Instruments\"\nmodel = \"I-1\"\nkind = \"dc_mems\"\n\
                 nominal_sensitivity = \"2 V/(m/s2)\"\nrange = \"2000 m/s2 pk\"\nmass = \"1 g\"\n\
                 noise_density = \"{density}\"\ntransverse_sensitivity = \"0 %\"\n\
                 temperature_coefficient = \"0 %/K\"\n{lines}\n"
            ));
            mounted.push_str(&format!(
                "[[mounted]]\nsensor = \"S{n}\"\nchannel = \"ch{n}\"\nmounting = \"stud\"\nadapter_mass = \"0 g\"\n"
            ));
        }
        let references = format!(
            "format = 1\n[[reference]]\nserial = \"R1\"\nmake = \"Invented Instruments\"\nmodel = \"I-R\"\n\
             calibrated_as = \"chain\"\nrange = \"5000 m/s2 pk\"\nnoise_density = \"{density}\"\n\
             transverse_sensitivity = \"0 %\"\ntemperature_coefficient = \"0 %/K\"\ndrift_per_year = \"0 %\"\n\
             [[reference.calibration]]\ncertificate = \"C-1\"\nlaboratory = \"Invented Laboratory\"\n\
             date = 2026-01-15\ndue = 2027-01-15\n\
             [[reference.calibration.point]]\nfrequency = \"0.1 Hz\"\nsensitivity = \"1 V/(m/s2)\"\nu = \"1e-9 %\"\n\
             [[reference.calibration.point]]\nfrequency = \"4 kHz\"\nsensitivity = \"1 V/(m/s2)\"\nu = \"1e-9 %\"\n"
        );
        let plan = "format = 1\nname = \"bench\"\n[[point]]\nfrequency = \"16 Hz\"\namplitude = \"0.0001 m/s2 pk\"\n";
        let job = format!(
            "format = 1\nplan = \"p\"\nrig = \"r\"\nsensors = \"s\"\nreferences = \"f\"\noperator = \"A. Person\"\n{mounted}"
        );
        let files = JobFiles {
            job: Document::read("job", &job).unwrap(),
            plan: Document::read("plan", plan).unwrap(),
            rig: Document::read("rig", &self.rig(sensors.len(), range)).unwrap_or_else(|r| panic!("{r}")),
            sensors: Document::read("sensors", &register).unwrap(),
            references: Document::read("references", &references).unwrap(),
        };
        let mut resolved = ResolvedJob::resolve(&files).unwrap_or_else(|report| panic!("{report}")).0;
        for (n, mounted) in resolved.sensors.iter_mut().enumerate() {
            // No register takes a sensor without mass, but the closed forms are simplest without.
            mounted.sensor.mass = Kilograms::new(if n == 0 { self.sensor_mass } else { 0.0 });
        }
        resolved
    }
}
