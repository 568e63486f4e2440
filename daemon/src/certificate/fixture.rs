//! An invented run for tests: laboratory, people, makes and numbers exist nowhere.
//!
//! Owns requests that look like real ones: twelve points from 0.5 Hz to 100 Hz, one of them rejected.

use super::data::{
    Arrow, AsFound, CertificateRequest, Condition, Customer, DeviationFrom, Equipment, EquipmentRole, Item,
    Judgement, Laboratory, Mounting, MountingSheet, OwnKind, OwnOutput, Reference, RequestSchema, Rule,
    SensorKind,
};
use super::messages::Language;
use crate::record::budget::{
    BudgetDistribution, BudgetRecord, BudgetRowRecord, BudgetSource, BudgetsRecord, PropagatedBy,
};
use crate::record::result::{
    AmbientRecord, Finding, PointRecord, ReferenceRecord, RepeatRecord, ResultRecord, ResultSchema,
    ScopeRecord, SensorRecord, Software,
};
use crate::record::words::{
    Decision, FindingKind, Method, Outcome, PointStatus, Polarity, SensitivityUnit, State,
};

const G: f64 = plan_schema::units::STANDARD_GRAVITY;
const NOMINAL_MV_PER_G: f64 = 100.0;

/// The sensor of [`request`].
pub(crate) const SERIAL: &str = "INV-0417";

/// A draft on simulated instruments.
pub(crate) fn request() -> CertificateRequest {
    CertificateRequest {
        schema: RequestSchema::V1,
        language: Language::English,
        number: None,
        replaces: None,
        issued: None,
        with_budgets: false,
        fonts_path: None,
        template_path: None,
        laboratory: Laboratory {
            name: "Example Laboratory for Vibration (invented)".into(),
            address: vec!["1 Nowhere Lane".into(), "00000 Sampletown".into()],
            country: Some("ZZ".into()),
            contact: Some("lab@example.invalid".into()),
            place_of_work: None,
            mark: None,
        },
        customer: Some(Customer {
            name: "Bridgewatch Example Company (invented)".into(),
            address: vec!["Structural monitoring".into(), "7 Fiction Quay".into(), "00001 Sampleport".into()],
        }),
        order: Some("EX-2000-118".into()),
        received: None,
        item: Item {
            make: "Invented Sensors".into(),
            model: "Mock 100 DC".into(),
            serial: SERIAL.into(),
            kind: SensorKind::DcMems,
            nominal_sensitivity: Some(NOMINAL_MV_PER_G / 1e3 / G),
            nominal_own: None,
            own: None,
            supply_nominal_v: Some(12.0),
            condition: Condition::AsFound,
        },
        mounting: Some(sheet()),
        reference: Reference {
            make: "Invented Standards".into(),
            model: "Mock REF".into(),
            serial: "INV-R-003".into(),
            certificate: "XC-1999-0312".into(),
            laboratory: "Example Primary Laboratory (invented)".into(),
            accreditation: Some("XP-00001".into()),
            calibrated: Some("1999-06-14".into()),
            due: Some("2000-06-14".into()),
        },
        equipment: equipment(),
        method_text: None,
        judgement: Judgement {
            rule: Some(Rule::GuardBand),
            by_point: Vec::new(),
            risk_percent: None,
            rule_text: None,
            deviation_from: DeviationFrom::Nominal,
            reference_frequency_hz: None,
            tolerance_percent: vec![Some(3.0); 12],
        },
        operator: Some("A. Nonymous".into()),
        authorised_by: None,
        amendment: None,
        remarks: vec!["The cable of 3 m belongs to the item and was calibrated with it.".into()],
        as_found: None,
        result: result(),
    }
}

fn sheet() -> MountingSheet {
    MountingSheet {
        how: Mounting::Screws,
        torque: Some("1.5 N m".into()),
        torque_wrench: Some("INV-W-2".into()),
        fixture: None,
        position: Some("middle".into()),
        arrow: Arrow::WithMotion,
        adapter: Some("INV-A-7".into()),
        adapter_mass: Some("42 g".into()),
        cable_tied_at: Some("200 mm".into()),
        remark: None,
    }
}

fn equipment() -> Vec<Equipment> {
    let one = |role, serial: Option<&str>, gain: Option<&str>| Equipment {
        role,
        name: None,
        serial: serial.map(Into::into),
        gain: gain.map(Into::into),
        u: gain.map(|_| "0.1 %".into()),
        certificate: gain.map(|_| "INV-2000-0117".into()),
        due: gain.map(|_| "2000-09-30".into()),
        set: (role == EquipmentRole::ReferenceConditioner)
            .then(|| ("2000-05-02".into(), "R. Example".into())),
    };
    vec![
        one(EquipmentRole::ReferenceConditioner, Some("INV-C-11"), Some("9.982 mV/pC")),
        one(EquipmentRole::ItemChannel, None, Some("1.0004 V/V")),
        one(EquipmentRole::Acquisition, Some("INV-D-01"), None),
    ]
}

fn result() -> ResultRecord {
    ResultRecord {
        schema: ResultSchema::V1,
        run: "R-20000101-0001".into(),
        state: State::Draft,
        simulated: true,
        seed: Some(1),
        software: Software { version: "0.1.0".into(), hash: None, validated: false },
        started: "2000-01-01T00:00:00Z".parse().unwrap(),
        ended: Some("2000-01-01T00:14:21.5Z".parse().unwrap()),
        rig_s: 861.5,
        measured_s: 212.0,
        waited_s: 7.0,
        hold: None,
        channel_ratio: None,
        substitution: None,
        scope: None,
        witnesses: Vec::new(),
        foreseen_wait_s: 540.0,
        outcome: Outcome::Done,
        method: Method::Single,
        trip: None,
        ambient: Some(AmbientRecord {
            temperature_degc_start: Some(22.93),
            temperature_degc_end: Some(23.21),
            temperature_degc_min: Some(22.88),
            temperature_degc_max: Some(23.27),
            humidity_percent_start: Some(44.0),
            humidity_percent_end: Some(43.2),
            humidity_percent_min: Some(42.9),
            humidity_percent_max: Some(44.6),
            sensor: Some("ambient".into()),
        }),
        reference: ReferenceRecord { serial: "INV-R-003".into(), calibration: "XC-1999-0312".into() },
        sensors: vec![SensorRecord {
            serial: SERIAL.into(),
            decision: Decision::None,
            zero_offset_v_before: Some(2.500_81),
            zero_offset_v_after: Some(2.500_93),
            bias_v: None,
            excitation_v: Some(12.003),
            polarity: Some(Polarity::Normal),
            points: points(),
        }],
    }
}

fn points() -> Vec<PointRecord> {
    let list = [
        (0.5, 1.0),
        (0.8, 2.0),
        (1.25, 5.0),
        (2.0, 5.0),
        (3.15, 10.0),
        (5.0, 10.0),
        (8.0, 10.0),
        (12.5, 10.0),
        (16.0, 10.0),
        (31.5, 10.0),
        (63.0, 10.0),
        (100.0, 10.0),
    ];
    let mut points: Vec<_> = list.into_iter().map(|(f, a)| point(f, a)).collect();
    reject(&mut points[1]);
    points[11].findings.push(Finding {
        kind: FindingKind::Hum,
        message: "mains hum at 50 Hz is 1.2 % of the output and was fitted beside the signal.".into(),
        value: Some(1.2),
        limit: Some(1.0),
        unit: Some("percent".into()),
    });
    points[11].decision = Decision::ConditionalPass;
    points
}

/// A point of a sensor with a mild resonance and some high-pass, as smooth functions of frequency.
pub(crate) fn point(frequency_hz: f64, target: f64) -> PointRecord {
    let rise = (frequency_hz / 560.0).powi(2) * 100.0;
    let deviation = 0.42 * (frequency_hz.ln()).cos() - 0.35 + rise * 0.9;
    let u_rel = 0.31 + 0.32 / frequency_hz + frequency_hz / 400.0;
    let mv_per_g = NOMINAL_MV_PER_G * (1.0 + deviation / 100.0);
    let sensitivity = mv_per_g / 1e3 / G;
    let phase = -frequency_hz * 0.0418 - 0.03;
    let acceleration = target * 1.001_7;
    let omega = 2.0 * std::f64::consts::PI * frequency_hz;
    PointRecord {
        frequency_hz,
        measured_frequency_hz: Some(frequency_hz * 1.000_012),
        status: PointStatus::Accepted,
        findings: vec![],
        target_mps2_peak: target,
        acceleration_mps2_peak: Some(acceleration),
        displacement_m_peak: Some(acceleration / omega / omega),
        cycles_measured: Some(20.0),
        settle_s: Some(8.0 / frequency_hz),
        settled_error_percent: Some(0.1),
        reason: None,
        n_segments: Some(5),
        sensitivity: Some(sensitivity),
        sensitivity_unit: SensitivityUnit::VoltPerMps2,
        sensitivity_mv_per_g: Some(mv_per_g),
        phase_deg: Some(phase),
        deviation_percent: Some(deviation),
        u_rel_percent: Some(u_rel),
        u_phase_deg: Some(0.22 + 0.13 / frequency_hz),
        u_deviation_percent: Some(u_rel * (1.0 + deviation / 100.0)),
        coverage_factor: Some(2.0),
        nu_eff: Some(180.0),
        decision: Decision::Pass,
        guard_band_percent: Some(u_rel * (1.0 + deviation / 100.0)),
        conformity_percent: Some(99.9),
        accredited: None,
        phase_accredited: None,
        thd_percent: Some(0.8),
        thd_harmonic_max: Some(5),
        snr_db: Some(71.0),
        temperature_degc: Some(23.1),
        repeats: vec![RepeatRecord { sensitivity: Some(sensitivity), phase_deg: Some(phase), valid: true }],
        channel_ratio: None,
        budgets: Some(budgets(u_rel, 0.22 + 0.13 / frequency_hz)),
    }
}

/// Budgets that combine to these expanded uncertainties: most from the certificate of the reference, the rest from limits.
fn budgets(u_percent: f64, u_deg: f64) -> BudgetsRecord {
    use BudgetSource::{ReferenceCertificate, Register, RigFile};
    let scatter = |combined| row("scatter within the dwell", BudgetSource::ThisRun, combined, 0.1);
    let of = |unit: &str, expanded: f64, mut rows: Vec<BudgetRowRecord>| {
        rows.push(scatter(expanded / 2.0));
        BudgetRecord {
            unit: unit.into(),
            rows,
            combined: expanded / 2.0,
            nu_eff: Some(180.0),
            coverage_factor: 2.0,
            expanded,
            by: PropagatedBy::FirstOrder,
            simulated: None,
            least: None,
        }
    };
    let (magnitude, phase) = (u_percent / 2.0, u_deg / 2.0);
    let of_magnitude = vec![
        row("reference sensitivity", ReferenceCertificate, magnitude, 0.6),
        row("reference drift", Register, magnitude, 0.1),
        row("channel ratio", RigFile, magnitude, 0.1),
        row("mounting", RigFile, magnitude, 0.1),
    ];
    let of_phase = vec![
        row("reference phase", ReferenceCertificate, phase, 0.8),
        row("channel phase", RigFile, phase, 0.1),
    ];
    BudgetsRecord {
        magnitude: of("percent", u_percent, of_magnitude),
        phase: Some(of("deg", u_deg, of_phase)),
        ratio: None,
    }
}

fn row(component: &str, source: BudgetSource, combined: f64, share: f64) -> BudgetRowRecord {
    let (distribution, divisor, dof) = match source {
        BudgetSource::ThisRun => (BudgetDistribution::TypeA, 1.0, Some(9.0)),
        BudgetSource::ReferenceCertificate => (BudgetDistribution::Normal, 2.0, None),
        BudgetSource::RigFile | BudgetSource::Register => {
            (BudgetDistribution::Rectangular, f64::sqrt(3.0), None)
        }
    };
    let standard = combined * f64::sqrt(share);
    BudgetRowRecord {
        component: component.into(),
        source,
        distribution,
        value: standard * divisor,
        divisor,
        standard_uncertainty: standard,
        sensitivity_coefficient: 1.0,
        contribution: standard,
        dof,
        correlation: 0.0,
    }
}

/// Rejected for distortion; its numbers stay in the record.
fn reject(point: &mut PointRecord) {
    point.status = PointStatus::Rejected;
    point.decision = Decision::None;
    point.thd_percent = Some(14.2);
    point.sensitivity_mv_per_g = Some(93.77);
    point.sensitivity = Some(0.093_77 / G);
    point.findings.push(Finding {
        kind: FindingKind::Distortion,
        message: "distortion of the acceleration 14.2 %, allowed 10 %.".into(),
        value: Some(14.2),
        limit: Some(10.0),
        unit: Some("percent".into()),
    });
}

/// A point that the run never came to.
pub(crate) fn not_reached(frequency_hz: f64, target: f64) -> PointRecord {
    PointRecord {
        status: PointStatus::NotReached,
        decision: Decision::None,
        measured_frequency_hz: None,
        acceleration_mps2_peak: None,
        displacement_m_peak: None,
        cycles_measured: None,
        settle_s: None,
        settled_error_percent: None,
        reason: None,
        n_segments: None,
        sensitivity: None,
        sensitivity_mv_per_g: None,
        phase_deg: None,
        deviation_percent: None,
        u_rel_percent: None,
        u_phase_deg: None,
        u_deviation_percent: None,
        coverage_factor: None,
        nu_eff: None,
        guard_band_percent: None,
        conformity_percent: None,
        thd_percent: None,
        thd_harmonic_max: None,
        snr_db: None,
        temperature_degc: None,
        repeats: vec![],
        budgets: None,
        ..point(frequency_hz, target)
    }
}

/// A released certificate on real instruments.
pub(crate) fn released() -> CertificateRequest {
    let mut request = request();
    request.number = Some("XL-2000-0042".into());
    request.issued = Some("2000-01-03T10:00:00Z".parse().unwrap());
    request.authorised_by = Some("B. Nobody".into());
    request.result.state = State::Released;
    request.result.simulated = false;
    request.result.seed = None;
    request.result.software.validated = true;
    let sensor = &mut request.result.sensors[0];
    sensor.points[1] = point(0.8, 2.0);
    sensor.points[11] = point(100.0, 10.0);
    sensor.decision = Decision::Pass;
    request
}

/// The released one under a scope: its first point is outside, of the last one the phase is.
pub(crate) fn accredited() -> CertificateRequest {
    let mut request = released();
    request.result.scope = Some(ScopeRecord {
        accreditation: "XL-00000".into(),
        granted_by: "Example Accreditation Body (invented)".into(),
        valid_until: "2001-06-30".into(),
        in_force: true,
    });
    let points = &mut request.result.sensors[0].points;
    for point in points.iter_mut() {
        (point.accredited, point.phase_accredited) = (Some(true), Some(true));
    }
    (points[0].accredited, points[0].phase_accredited) = (Some(false), Some(false));
    points[11].phase_accredited = Some(false);
    request
}

/// The released one as a sensor whose output is a charge.
pub(crate) fn charge() -> CertificateRequest {
    let mut request = released();
    request.item.kind = SensorKind::Charge;
    request.item.nominal_own = Some(10e-12 / G);
    request.item.own = Some(OwnOutput { kind: OwnKind::Charge, volts: 1e10 });
    request.item.supply_nominal_v = None;
    request.equipment.push(Equipment {
        role: EquipmentRole::ItemConditioner,
        name: None,
        serial: Some("INV-C-12".into()),
        gain: Some("10 mV/pC".into()),
        u: Some("0.15 %".into()),
        certificate: None,
        due: None,
        set: None,
    });
    request
}

/// The same item after an adjustment, with what it showed before.
pub(crate) fn as_left() -> CertificateRequest {
    let mut request = released();
    let mut sensor = request.result.sensors[0].clone();
    for point in &mut sensor.points {
        point.sensitivity = point.sensitivity.map(|s| s * 1.042);
        point.sensitivity_mv_per_g = point.sensitivity_mv_per_g.map(|s| s * 1.042);
        point.deviation_percent = point.deviation_percent.map(|d| d * 1.042 + 4.2);
        point.decision = Decision::Fail;
    }
    reject(&mut sensor.points[4]);
    sensor.decision = Decision::Fail;
    request.item.condition = Condition::AsLeft;
    request.as_found = Some(AsFound {
        run: "R-19991230-0007".into(),
        started: "1999-12-30T09:00:00Z".parse().unwrap(),
        certificate: Some("XL-1999-0311".into()),
        sensor,
    });
    request
}

/// Thirty-one points, cut off by a trip, with names as long as they get and letters of several scripts.
pub(crate) fn long() -> CertificateRequest {
    let mut request = request();
    let frequencies = (-5..=25).map(|n| 10f64.powf(f64::from(n) / 10.0));
    let nominal = frequencies.map(|f| (f * 100.0).round() / 100.0);
    let sensor = &mut request.result.sensors[0];
    sensor.points =
        nominal.enumerate().map(|(n, f)| if n < 28 { point(f, 5.0) } else { not_reached(f, 5.0) }).collect();
    reject(&mut sensor.points[3]);
    request.judgement.tolerance_percent =
        (0..31).map(|n| (n != 30).then_some(if n < 15 { 3.0 } else { 5.0 })).collect();
    request.judgement.deviation_from = DeviationFrom::ReferenceFrequency;
    request.judgement.reference_frequency_hz = Some(16.0);
    request.result.outcome = Outcome::Cancelled;
    request.laboratory.name =
        "Laboratory for Vibration, Acoustics and Structural Dynamics of the Invented Institute of Examples"
            .into();
    request.customer = Some(Customer {
        name: "Εταιρεία Παραδειγμάτων Δονήσεων και Κατασκευών Α.Ε. (Пример, Müller & Søn, Łódź)".into(),
        address: vec!["Οδός Φαντασίας 12, a street with quite a long name indeed".into()],
    });
    request.item.model = "Mock 100 DC triaxial, housing of stainless steel, cable 10 m, option K".into();
    request
}

/// As little as a certificate can say: one point of a charge sensor, nothing known beyond its magnitude.
pub(crate) fn bare() -> CertificateRequest {
    let mut request = request();
    request.customer = None;
    request.order = None;
    request.mounting = None;
    request.operator = None;
    request.remarks.clear();
    request.laboratory.contact = None;
    request.item.kind = SensorKind::Charge;
    request.item.nominal_sensitivity = None;
    request.judgement.rule = None;
    request.judgement.tolerance_percent.clear();
    request.result.ambient = None;
    request.result.ended = None;
    request.result.outcome = Outcome::Interrupted;
    let sensor = &mut request.result.sensors[0];
    sensor.zero_offset_v_before = None;
    sensor.zero_offset_v_after = None;
    sensor.excitation_v = None;
    sensor.polarity = None;
    sensor.points = vec![PointRecord {
        sensitivity: Some(1.0213e-12),
        sensitivity_unit: SensitivityUnit::CoulombPerMps2,
        sensitivity_mv_per_g: None,
        phase_deg: None,
        u_phase_deg: None,
        deviation_percent: None,
        u_deviation_percent: None,
        nu_eff: None,
        decision: Decision::None,
        guard_band_percent: None,
        conformity_percent: None,
        ..point(16.0, 10.0)
    }];
    request
}
