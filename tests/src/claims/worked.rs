//! Claims about the uncertainty engine: worked examples of the literature, and random models against another program.

use crate::figure::Figure;
use crate::python;
use anyhow::{Context, Result, ensure};
use calibration::uncertainty::gum::{
    Correlations, Counted, Input, Inputs, Model, Number, Shape, Uniforms, propagate,
};
use calibration::uncertainty::worked::{self, Mark};
use serde_json::{Value, json};
use std::fmt::Write as _;

/// Largest relative difference from the other program.
const AGREEMENT: f64 = 1e-9;

/// Inputs of a random model; of three, two are correlated.
const INPUTS: usize = 4;

/// Every worked example to its published digits; the figure is the number that differ.
///
/// # Errors
/// If the engine refuses an example.
pub fn examples() -> Result<Figure> {
    let checks = worked::checks()?;
    let broken = checks.iter().filter(|c| !c.holds()).count();
    let count = |wanted: fn(&Mark) -> bool| checks.iter().filter(|c| wanted(&c.mark)).count();
    let mut sample = format!(
        "{} figures: {} sourced, {} from memory, {} recomputed with another program",
        checks.len(),
        count(|m| matches!(m, Mark::Sourced(_))),
        count(|m| matches!(m, Mark::FromMemory)),
        count(|m| matches!(m, Mark::Recomputed(_))),
    );
    // A table of factors needs no line for each; every other figure has one, with its mark.
    for check in checks.iter().filter(|c| !c.holds() || !c.example.contains("table")) {
        write!(sample, "\n  {check}")?;
    }
    Ok(Figure {
        what: "figures of worked examples that differ from their published digits".to_owned(),
        value: broken as f64,
        limit: 0.0,
        unit: "",
        sample,
        seeds: vec![],
    })
}

/// Random models of two results against GTC; the figure is the largest relative difference.
///
/// # Errors
/// If the check can't be carried out.
pub fn against_gtc(models: u64) -> Result<Figure> {
    let cases = (1..=models).map(case).collect::<Result<Vec<_>>>()?;
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("models.json");
    std::fs::write(&file, serde_json::to_string(&cases)?)?;
    let finished = python::run("propagate.py", [&file])?;
    let line = finished.stdout.lines().next_back().unwrap_or_default();
    let said: Value = serde_json::from_str(line)
        .with_context(|| format!("the check broke down: {}{}", finished.stdout, finished.stderr))?;
    ensure!(said["models"].as_u64() == Some(models), "not every model was compared: {said}");
    Ok(Figure {
        what:
            "largest relative difference of value, uncertainty, degrees of freedom and correlation from GTC"
                .to_owned(),
        value: said["worst_relative"].as_f64().context("propagate.py says no difference")?,
        limit: AGREEMENT,
        unit: "",
        sample: format!(
            "{models} random models of {INPUTS} inputs and two results, {} figures",
            said["figures"]
        ),
        seeds: (1..=models).collect(),
    })
}

/// An expression, in the form that both programs evaluate.
enum Tree {
    Input(usize),
    Constant(f64),
    Unary(&'static str, Box<Tree>),
    Binary(&'static str, Box<[Tree; 2]>),
}

/// Two results.
struct Pair([Tree; 2]);

impl Model for Pair {
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N> {
        self.0.iter().map(|tree| tree.value(inputs)).collect()
    }
}

impl Tree {
    fn value<N: Number>(&self, inputs: &[N]) -> N {
        match self {
            Self::Input(n) => inputs.get(*n).copied().unwrap_or(N::constant(f64::NAN)),
            Self::Constant(c) => N::constant(*c),
            Self::Unary(name, of) => {
                let of = of.value(inputs);
                match *name {
                    "sin" => of.sin(),
                    "cos" => of.cos(),
                    "atan" => of.atan(),
                    "exp" => of.exp(),
                    "log" => of.ln(),
                    _ => of.sqrt(),
                }
            }
            Self::Binary(name, of) => {
                let (a, b) = (of[0].value(inputs), of[1].value(inputs));
                match *name {
                    "+" => a + b,
                    "-" => a - b,
                    "*" => a * b,
                    _ => a / b,
                }
            }
        }
    }

    fn json(&self) -> Value {
        match self {
            Self::Input(n) => json!({ "input": n }),
            Self::Constant(c) => json!(c),
            Self::Unary(name, of) => json!([name, of.json()]),
            Self::Binary(name, of) => json!([name, of[0].json(), of[1].json()]),
        }
    }

    /// A random tree. What must be positive is made so by a square plus a constant, which both programs evaluate alike.
    fn random(depth: u32, chance: &mut Counted) -> Self {
        if depth == 0 {
            return match pick(chance, 5) {
                0 => Self::Constant(chance.next_uniform() * 4.0 - 2.0),
                n => Self::Input(n - 1),
            };
        }
        let unary = |name, of| Self::Unary(name, Box::new(of));
        let binary = |name, a, b| Self::Binary(name, Box::new([a, b]));
        let positive = |seed: Counted| {
            let [a, b] = [(); 2].map(|()| Self::random(depth - 1, &mut seed.clone()));
            binary("+", binary("*", a, b), Self::Constant(1.5))
        };
        let kind = pick(chance, 10);
        let below = *chance;
        let mut next = || Self::random(depth - 1, chance);
        match kind {
            0 => binary("+", next(), next()),
            1 => binary("-", next(), next()),
            2 | 3 => binary("*", next(), next()),
            4 => binary("/", next(), positive(below)),
            5 => unary("sin", next()),
            6 => unary("cos", next()),
            7 => unary("exp", unary("atan", next())),
            8 => unary("log", {
                next();
                positive(below)
            }),
            _ => unary("sqrt", {
                next();
                positive(below)
            }),
        }
    }
}

fn pick(chance: &mut Counted, of: usize) -> usize {
    let share = chance.next_uniform();
    (1..of).filter(|n| share * of as f64 >= *n as f64).count()
}

/// One random model with what this program makes of it.
fn case(seed: u64) -> Result<Value> {
    let mut chance = Counted::new(seed);
    // Three simultaneous observations, correlated and with the same degrees of freedom, and one for itself.
    let together = 3.0 + pick(&mut chance, 20) as f64;
    let alone = if pick(&mut chance, 2) == 0 { f64::INFINITY } else { 2.0 + pick(&mut chance, 30) as f64 };
    let inputs = (0..INPUTS)
        .map(|n| {
            let value = chance.next_uniform() * 4.0 - 2.0;
            let standard = 0.01 + 0.1 * chance.next_uniform();
            let dof = if n + 1 < INPUTS { together } else { alone };
            Input::new(format!("x{n}"), value, Shape::Normal { standard })?.with_dof(dof)
        })
        .collect::<Result<Vec<_>, _>>()?;
    let mut r = || 0.9 * chance.next_uniform() - 0.45;
    let pairs = [(0, 1, r()), (0, 2, r()), (1, 2, r())];
    let inputs = Inputs::new(inputs, Correlations::of_pairs(INPUTS, &pairs)?)?;
    let first =
        Tree::Binary("+", Box::new([Tree::random(3, &mut chance), Tree::Input(pick(&mut chance, INPUTS))]));
    let second =
        Tree::Binary("*", Box::new([Tree::random(3, &mut chance), Tree::Input(pick(&mut chance, INPUTS))]));
    let model = Pair([first, second]);
    let found = propagate(&model, &inputs)?;
    let number = |x: f64| if x.is_finite() { json!(x) } else { Value::Null };
    Ok(json!({
        "inputs": inputs.as_slice().iter().map(|i| json!({
            "value": i.value(), "standard": i.standard(), "dof": number(i.dof()),
        })).collect::<Vec<_>>(),
        "pairs": pairs.iter().map(|(a, b, r)| json!([a, b, r])).collect::<Vec<_>>(),
        "results": model.0.iter().enumerate().map(|(n, tree)| json!({
            "model": tree.json(),
            "value": found.values[n],
            "standard": found.standard(n),
            "dof": number(found.dof[n]),
        })).collect::<Vec<_>>(),
        "correlation": number(found.correlation(0, 1)),
    }))
}
