//! Where the parts are put together: the only place that names the simulator.

use crate::record::UtcTime;
use crate::record::convert;
use crate::record::truth::{FaultStruck, TruePoint, TrueSensor, TruthRecord, TruthSchema};
use crate::record::words::SensitivityUnit;
use crate::settings::Settings;
use crate::station::clock::SimulatedClock;
use crate::station::{Clock, Observer};
use calibration::sequence::{Cable, Event};
use drivers::client::{Hosted, HostedOptions, PlugIns, Program};
use drivers::{DriverFactory, Registry};
use plan_schema::faults::{FaultKind, Faults, PointPhase};
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::Rig;
use plan_schema::units::{Hertz, Mono, Seconds};
use sim::front::{Ports, Served};
use sim::{SimError, SimulatedRig};
use std::collections::BTreeMap;
use std::io;
use std::sync::Arc;

pub use sim::front::Address as PanelAddress;

/// The kind of driver whose instruments exist only in the simulator.
pub const SIMULATED: &str = sim::KIND;

/// The drivers that this program has built in.
#[must_use]
pub fn built_in() -> Registry {
    let mut registry = Registry::default();
    registry.add(sim::listing());
    drivers::built_in::all().into_iter().for_each(|factory| registry.add(factory));
    registry.add(Arc::new(PlugIns::listing()));
    registry
}

/// The word by which this program becomes the host of an instrument.
pub const DRIVER_HOST: &str = "driver-host";

/// The drivers for a run on real instruments: each in a host of its own, unless the settings say otherwise.
///
/// # Errors
/// Where the path of this program is not known.
pub fn real(rig: &Rig, settings: &Settings) -> io::Result<Registry> {
    let program = Program::new(std::env::current_exe()?, [DRIVER_HOST.into()]);
    let options = HostedOptions::of(rig);
    let mut registry = built_in();
    let hosts = registry.hosts().clone();
    if settings.driver_hosts {
        let inner: Vec<Arc<dyn DriverFactory>> = registry.iter().cloned().collect();
        for driver in inner {
            registry.add(Arc::new(Hosted::new(driver, program.clone(), hosts.clone(), options)));
        }
    }
    registry.add(Arc::new(PlugIns::new(settings.plug_in_folders.clone(), hosts, options)));
    Ok(registry)
}

/// A simulated rig and what a dry run needs of it.
pub struct Simulated {
    rig: SimulatedRig,
    points: Vec<Hertz>,
}

impl Simulated {
    /// The rig of a job, simulated from a seed.
    ///
    /// # Errors
    /// Where a fault can't be simulated.
    pub fn new(job: &ResolvedJob, seed: u64, faults: &Faults) -> Result<Self, SimError> {
        Ok(Self::around(SimulatedRig::new(job, seed, faults)?, job))
    }

    /// The same with a rig that is there already, of the same job.
    #[must_use]
    pub fn around(rig: SimulatedRig, job: &ResolvedJob) -> Self {
        Self { rig, points: job.points.iter().map(|p| p.frequency).collect() }
    }

    /// A registry in which every driver that the rig file names is simulated, so that a dry run opens instruments as a
    /// real run does.
    #[must_use]
    pub fn registry(&self, job: &ResolvedJob) -> Registry {
        let mut registry = Registry::default();
        for instrument in &job.rig.instruments {
            registry.add(self.rig.factory(&instrument.driver));
        }
        registry
    }

    /// Serves its instruments in real time behind the interfaces that real ones have, on this machine only.
    ///
    /// # Errors
    /// A port that is taken, unless any free one will do.
    pub async fn panels(&self, job: &ResolvedJob, free_ports: bool) -> Result<Panels, SimError> {
        let ports = if free_ports { Ports::Free } else { Ports::AsWritten };
        sim::front::serve(&self.rig, &job.rig.instruments, ports).await.map(Panels)
    }

    /// Time that moves with the simulated blocks.
    #[must_use]
    pub fn clock(&self, started: UtcTime) -> Arc<dyn Clock> {
        let rig = self.rig.clone();
        Arc::new(SimulatedClock::new(move || rig.now(), started.timestamp()))
    }

    /// Tells the rig where the run is, for faults that strike within a point.
    #[must_use]
    pub fn observer(&self) -> Box<dyn Observer> {
        Box::new(FaultSchedule { rig: self.rig.clone(), points: self.points.clone() })
    }

    /// Lets the simulated armature come to rest after the last block, as a real one would.
    pub fn run_out(&self) {
        self.rig.run_out(Seconds::new(1.0));
    }

    /// What the simulator knows, after the run.
    #[must_use]
    pub fn truth(&self, run: &str) -> TruthRecord {
        let truth = self.rig.truth();
        TruthRecord {
            schema: TruthSchema::V1,
            run: run.to_owned(),
            displacement_m_peak_max: truth.displacement_max.si(),
            displacement_by_point_m_peak_max: truth.displacement_by_point.iter().map(|x| x.si()).collect(),
            stop_hits: u64::from(truth.stop_hits),
            faults_struck: truth
                .faults_struck
                .iter()
                .map(|f| FaultStruck { kind: convert::fault_kind(f.kind), at_s: f.at.si(), moving: f.moving })
                .collect(),
            sensors: truth
                .sensors
                .iter()
                .map(|s| TrueSensor {
                    serial: s.serial.clone(),
                    points: s
                        .points
                        .iter()
                        .map(|p| TruePoint {
                            frequency_hz: p.frequency.si(),
                            sensitivity: p.sensitivity.si(),
                            sensitivity_unit: SensitivityUnit::VoltPerMps2,
                            phase_deg: p.phase.degrees(),
                        })
                        .collect(),
                })
                .collect(),
        }
    }

    /// True if nothing moves and nothing could: the source at zero, the amplifier muted.
    #[must_use]
    pub fn is_at_rest(&self) -> bool {
        let truth = self.rig.truth();
        truth.final_drive.si().abs() <= 0.0 && truth.muted
    }

    /// The same, but of a source that a fault keeps from following: the mute alone has to do.
    #[must_use]
    pub fn is_safe(&self) -> bool {
        let truth = self.rig.truth();
        let deaf = [FaultKind::SourceDeaf, FaultKind::SourceHoldsLast];
        let mute_does = truth.faults_struck.iter().any(|f| deaf.contains(&f.kind));
        self.is_at_rest() || (mute_does && truth.muted)
    }
}

/// The panels of a simulated rig; they end when this is dropped.
pub struct Panels(Served);

impl Panels {
    /// Where each instrument listens, by its name.
    #[must_use]
    pub fn addresses(&self) -> &BTreeMap<String, PanelAddress> {
        &self.0.addresses
    }

    /// Waits until a panel ends by itself, which none should.
    pub async fn ended(&mut self) {
        self.0.ended().await;
    }
}

struct FaultSchedule {
    rig: SimulatedRig,
    points: Vec<Hertz>,
}

impl Observer for FaultSchedule {
    fn event(&mut self, _now: Mono, event: &Event) {
        let (point, phase) = match event {
            Event::PointBegins(point) => (*point, PointPhase::Settle),
            Event::DwellBegins { point, .. } => (*point, PointPhase::Dwell),
            // Whoever confirms has done it.
            Event::Asks(cable) => {
                self.rig.route(*cable == Cable::ToChannels);
                return self.rig.exchange(*cable == Cable::ReferenceToChannels);
            }
            _ => return,
        };
        if let Some(frequency) = self.points.get(point) {
            self.rig.progress(point + 1, phase, *frequency);
        }
    }
}
