//! The host of an instrument is gone while the armature moves, and nobody was asking it anything.

use super::execute_on;
use crate::files::Disk;
use crate::station::Observer;
use crate::station::latch::Latch;
use calibration::interlock::TripReason;
use calibration::sequence::{Event, Outcome};
use drivers::client::Hosts;
use drivers::{DriverError, ErrorKind};
use plan_schema::units::Mono;
use std::sync::{Arc, OnceLock};

struct Loses(Arc<OnceLock<Arc<Hosts>>>);

impl Observer for Loses {
    fn event(&mut self, _now: Mono, event: &Event) {
        if matches!(event, Event::DwellBegins { .. }) {
            let detail = "its host ended (signal: 9)";
            self.0.get().unwrap().tell_lost(DriverError::new(
                ErrorKind::Disconnected,
                "generator",
                "host",
                detail,
            ));
        }
    }
}

#[test]
fn a_lost_host_trips_and_everything_else_is_made_safe() {
    let hosts = Arc::new(OnceLock::new());
    let observer = Box::new(Loses(hosts.clone()));
    let (bench, ended) = execute_on(Arc::new(Disk), Some(observer), &|_| (), |_, registry| {
        hosts.set(registry.hosts().clone()).unwrap();
        registry
    });
    let (report, _) = ended.unwrap();
    assert_eq!(report.outcome, Outcome::Tripped);
    let trip = report.trip.unwrap();
    assert_eq!(trip.reason, TripReason::DriverLost);
    assert!(trip.message.contains("its host ended (signal: 9)"), "{}", trip.message);
    assert!(bench.simulated.is_at_rest());
    let latch = bench.latch.read(&Disk, "2000-01-01T00:00:00Z".parse().unwrap());
    assert!(matches!(latch, Latch::Tripped { .. }));
}
