//! From the core's results to the records, by hand, so that renaming something inside never changes a record.

use super::budget::{BudgetSource, BudgetsRecord};
use super::channel_ratio::{Cable, RoutedBy};
use super::result::{
    AmbientRecord, Finding as FindingRecord, PointRecord, RepeatRecord, SensorRecord, TripRecord,
    WitnessPointRecord, WitnessRecord,
};
use super::time::UtcTime;
use super::words::{
    Decision, FaultKind, FindingKind, Outcome, PointStatus, Polarity, SensitivityUnit, TripReason,
    WitnessRole,
};
use calibration::evaluate::{
    PointResult, RepeatResult, SensorResult, Status, Value, WitnessPoint, WitnessResult,
};
use calibration::interlock::Trip;
use calibration::sequence::{self, Finding};
use calibration::uncertainty;
use drivers::AmbientReading;

/// Declares the same words in both worlds.
macro_rules! same_words {
    ($name:ident: $from:ty => $to:ty { $($variant:ident),* $(,)? }) => {
        /// The word of the record for a word of the core.
        #[must_use]
        pub fn $name(from: $from) -> $to {
            match from { $(<$from>::$variant => <$to>::$variant,)* }
        }
    };
}

same_words!(decision: uncertainty::Decision => Decision { Pass, ConditionalPass, ConditionalFail, Fail, None });
same_words!(outcome: sequence::Outcome => Outcome { Done, Tripped, Failed, Cancelled });
same_words!(status: Status => PointStatus { Accepted, Rejected, NotReached, Skipped });
same_words!(witness_role: plan_schema::resolve::WitnessRole => WitnessRole { CheckStandard, SecondReference });
same_words!(finding_kind: sequence::FindingKind => FindingKind {
    NotSettled, Clipped, Overload, Noise, Distortion, Hum, Residual, SensorOpen, Polarity, RegisterMismatch,
    RepeatDisagrees, SetupDrift, AmbientOut, NotSubstituted,
});
same_words!(finding_kind_back: FindingKind => sequence::FindingKind {
    NotSettled, Clipped, Overload, Noise, Distortion, Hum, Residual, SensorOpen, Polarity, RegisterMismatch,
    RepeatDisagrees, SetupDrift, AmbientOut, NotSubstituted,
});
same_words!(trip_reason: calibration::interlock::TripReason => TripReason {
    DriveLimit, StrokeLimit, VelocityLimit, AccelerationLimit, CurrentLimit, CoilTemperature, Overload, AmplifierFault,
    SourceNotFollowing, EmergencyStop, ReferenceOpen, ReferenceStuck, ReferenceReversed, ChannelsDisagree,
    BlocksMissing, DriverLost, MakeSafeFailed, RestartWhileMoving, PermissiveLost, SourceDc, ProgramError,
});
same_words!(fault_kind: plan_schema::faults::FaultKind => FaultKind {
    ReferenceOpen, SensorOpen, GainJump, AmplifierTrip, SourceDeaf, AcquisitionStall, Overload, SensorClipped,
    LooseMount, Hum, ReferenceReversed, CoilOverheating, EmergencyStop, SourceHoldsLast, SlowDrift, CableIntermittent,
    PermissiveOpens, AmbientExcursion,
});
same_words!(routed_by: plan_schema::rig::RoutedBy => RoutedBy { Switch, Person });
same_words!(cable: sequence::Cable => Cable { ToChannels, ToAmplifier, ReferenceToChannels, SensorsToChannels });
same_words!(cable_back: Cable => sequence::Cable { ToChannels, ToAmplifier, ReferenceToChannels, SensorsToChannels });

/// A trip as it is recorded.
#[must_use]
pub fn trip(trip: &Trip, run: &str, at: UtcTime) -> TripRecord {
    TripRecord {
        id: format!("T-{run}"),
        reason: trip_reason(trip.reason),
        at_utc: at,
        at_sample: trip.at_sample.map(|s| s.0),
        instrument: trip.instrument.clone(),
        channel: trip.channel.clone(),
        value: trip.value.and_then(finite),
        limit: trip.limit.and_then(finite),
        unit: trip.unit.map(str::to_owned),
        message: trip.message.clone(),
    }
}

/// A finding as it is recorded.
#[must_use]
pub fn finding(finding: &Finding) -> FindingRecord {
    FindingRecord {
        kind: finding_kind(finding.kind),
        message: finding.message.clone(),
        value: finding.value.and_then(finite),
        limit: finding.limit.and_then(finite),
        unit: finding.unit.map(str::to_owned),
    }
}

/// The units that a finding may have; text from a record becomes one of them again.
const UNITS: [&str; 6] = ["v", "percent", "db", "mps2", "degc", "s"];

/// A finding about a whole point, read back.
#[must_use]
pub fn finding_back(record: &FindingRecord) -> Finding {
    Finding {
        kind: finding_kind_back(record.kind),
        message: record.message.clone(),
        value: record.value,
        limit: record.limit,
        unit: UNITS.iter().copied().find(|u| record.unit.as_deref() == Some(u)),
        column: None,
    }
}

/// Ambient conditions as they are recorded; `None` where none were read.
#[must_use]
pub fn ambient(readings: &[AmbientReading], sensor: Option<&str>) -> Option<AmbientRecord> {
    let (first, last) = (readings.first()?, readings.last()?);
    let temperatures = || readings.iter().map(|r| r.temperature.si());
    let humidities = || readings.iter().filter_map(|r| r.humidity.map(|h| h.percent()));
    Some(AmbientRecord {
        temperature_degc_start: Some(first.temperature.si()),
        temperature_degc_end: Some(last.temperature.si()),
        temperature_degc_min: temperatures().reduce(f64::min),
        temperature_degc_max: temperatures().reduce(f64::max),
        humidity_percent_start: first.humidity.map(|h| h.percent()),
        humidity_percent_end: last.humidity.map(|h| h.percent()),
        humidity_percent_min: humidities().reduce(f64::min),
        humidity_percent_max: humidities().reduce(f64::max),
        sensor: sensor.map(str::to_owned),
    })
}

/// A sensor as it is recorded; `channels` says whether the plan asks for the ratio of channels to be measured.
#[must_use]
pub fn sensor(result: &SensorResult, harmonics: u32, channels: bool) -> SensorRecord {
    SensorRecord {
        serial: result.serial.clone(),
        decision: decision(result.decision),
        zero_offset_v_before: result.zero_before.map(|v| v.si()),
        zero_offset_v_after: result.zero_after.map(|v| v.si()),
        bias_v: result.bias.map(|v| v.si()),
        excitation_v: result.excitation.map(|v| v.si()),
        polarity: result.inverted.map(
            |inverted| {
                if inverted { Polarity::Reversed } else { Polarity::Normal }
            },
        ),
        points: result.points.iter().map(|p| point(p, harmonics, channels)).collect(),
    }
}

fn point(result: &PointResult, harmonics: u32, channels: bool) -> PointRecord {
    let value = result.value.as_ref();
    let magnitude = value.map(|v| v.magnitude.combined());
    let phase = value.and_then(|v| v.phase_budget.as_ref()).map(uncertainty::Budget::combined);
    let number = |of: &dyn Fn(&Value) -> Option<f64>| value.and_then(of).and_then(finite);
    PointRecord {
        frequency_hz: result.frequency.si(),
        measured_frequency_hz: number(&|v| Some(v.frequency.si())),
        status: status(result.status),
        reason: result.reason.clone(),
        findings: result.findings.iter().map(finding).collect(),
        target_mps2_peak: result.target.si(),
        acceleration_mps2_peak: number(&|v| Some(v.acceleration.si())),
        displacement_m_peak: number(&|v| Some(v.displacement.si())),
        cycles_measured: number(&|v| Some(v.cycles)),
        settle_s: result.settle.map(|s| s.si()),
        settled_error_percent: result.settled_error.and_then(|e| finite(e * 100.0)),
        n_segments: value.map(|v| v.segments as u64),
        sensitivity: number(&|v| Some(v.sensitivity.si())),
        sensitivity_unit: SensitivityUnit::VoltPerMps2,
        sensitivity_mv_per_g: number(&|v| Some(v.sensitivity.millivolts_per_g())),
        phase_deg: number(&|v| Some(v.phase?.degrees())),
        deviation_percent: number(&|v| Some(v.deviation? * 100.0)),
        u_rel_percent: magnitude.and_then(|m| finite(m.expanded * 100.0)),
        u_phase_deg: phase.and_then(|p| finite(p.expanded.to_degrees())),
        u_deviation_percent: number(&|v| Some(v.u_deviation? * 100.0)),
        coverage_factor: magnitude.map(|m| m.k),
        // Infinite degrees of freedom have no number in JSON.
        nu_eff: magnitude.and_then(|m| finite(m.nu_eff)),
        decision: decision(result.decision),
        guard_band_percent: result.guard_band.and_then(|w| finite(w * 100.0)),
        conformity_percent: result.conformity.and_then(|p| finite(p * 100.0)),
        accredited: result.accredited.map(|a| a.magnitude),
        phase_accredited: result.accredited.map(|a| a.phase),
        thd_percent: number(&|v| Some(v.distortion? * 100.0)),
        thd_harmonic_max: value.and_then(|v| v.distortion).map(|_| u64::from(harmonics)),
        snr_db: number(&|v| Some(v.snr_db)),
        temperature_degc: result.temperature.map(|t| t.si()),
        repeats: result.repeats.iter().map(repeat).collect(),
        channel_ratio: value.filter(|_| channels).map(|_| match result.channels {
            true => BudgetSource::ThisRun,
            false => BudgetSource::RigFile,
        }),
        budgets: value.map(BudgetsRecord::of),
    }
}

/// A check standard or second reference as it is recorded.
#[must_use]
pub fn witness(result: &WitnessResult) -> WitnessRecord {
    WitnessRecord {
        serial: result.serial.clone(),
        role: witness_role(result.role),
        points: result.points.iter().map(witness_point).collect(),
    }
}

fn witness_point(point: &WitnessPoint) -> WitnessPointRecord {
    WitnessPointRecord {
        frequency_hz: point.frequency.si(),
        sensitivity: point.sensitivity.si(),
        sensitivity_expected: point.expected.si(),
        sensitivity_unit: SensitivityUnit::VoltPerMps2,
        deviation_percent: point.deviation * 100.0,
        limit_percent: point.limit * 100.0,
        within: point.within(),
    }
}

fn repeat(result: &RepeatResult) -> RepeatRecord {
    RepeatRecord {
        sensitivity: result.sensitivity.map(|s| s.si()),
        phase_deg: result.phase.map(|p| p.degrees()),
        valid: result.valid,
    }
}

/// JSON has no infinite numbers; what is infinite does not exist for a record.
fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
