//! The arithmetic of uncertainty against the examples of the GUM (JCGM 100:2008).

use strapwise::window::gum::{Inputs, coverage, degrees, rectangular};

fn near(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{found}, not {expected}");
}

/// GUM H.1, end-gauge calibration. Lengths in nm: l = ls + d0 + d1 + d2 - ls (da t + a dt), with
/// t the mean deviation of temperature and its cyclic part.
struct EndGauge {
    inputs: Inputs,
}

impl EndGauge {
    fn new() -> EndGauge {
        let infinite = f64::INFINITY;
        let mut inputs = Inputs::default();
        inputs.push(50_000_623.0, 25.0, 18.0);
        inputs.push(215.0, 5.8, 24.0);
        inputs.push(0.0, 3.9, 5.0);
        inputs.push(0.0, 6.7, 8.0);
        inputs.push(11.5e-6, rectangular(2e-6), infinite);
        inputs.push(0.0, rectangular(1e-6), degrees(0.1));
        inputs.push(0.0, rectangular(0.05), degrees(0.5));
        inputs.push(-0.1, 0.2, infinite);
        // A cyclic part of amplitude 0.5 has the arcsine distribution: amplitude over sqrt(2).
        inputs.push(0.0, 0.5 / 2f64.sqrt(), infinite);
        EndGauge { inputs }
    }

    fn at(x: &[f64]) -> (f64, Vec<f64>) {
        let (ls, a, da, dt, t) = (x[0], x[4], x[5], x[6], x[7] + x[8]);
        let l = ls + x[1] + x[2] + x[3] - ls * (da * t + a * dt);
        let by_ls = 1.0 - da * t - a * dt;
        (l, vec![by_ls, 1.0, 1.0, 1.0, -ls * dt, -ls * t, -ls * a, -ls * da, -ls * da])
    }
}

/// GUM H.1.3.4 and Table H.1.
#[test]
fn the_end_gauge_has_the_published_length_and_components() {
    let gauge = EndGauge::new();
    let (length, slopes) = EndGauge::at(&gauge.inputs.values);
    near(length, 50_000_838.0, 0.5);
    let component = |i: usize| (slopes[i] * gauge.inputs.u[i]).abs();
    for (i, nm) in [(0, 25.0), (1, 5.8), (2, 3.9), (3, 6.7), (4, 0.0), (5, 2.9), (6, 16.6)] {
        near(component(i), nm, 0.05);
    }
    let combined = gauge.inputs.combine(EndGauge::at);
    near(combined.first, 32.0, 0.5);
}

/// GUM H.1.6: 16.7 effective degrees, taken as 16; t of 2.92 at 99 %; U99 = 93 nm.
#[test]
fn the_end_gauge_has_the_published_expanded_uncertainty() {
    let combined = EndGauge::new().inputs.combine(EndGauge::at);
    near(combined.degrees, 16.7, 0.1);
    near(coverage(combined.degrees, 0.99), 2.92, 0.005);
    near(coverage(combined.degrees, 0.99) * combined.first, 93.0, 1.0);
}

/// GUM H.1.7: terms of 11.7 nm and 1.7 nm raise 32 nm to 34 nm.
#[test]
fn the_end_gauge_has_the_published_second_order() {
    let gauge = EndGauge::new();
    let combined = gauge.inputs.combine(EndGauge::at);
    near(combined.standard(), 34.0, 0.3);
    let u = &gauge.inputs.u;
    let both = (50_000_623.0 * u[5] * u[7].hypot(u[8])).hypot(50_000_623.0 * u[4] * u[6]);
    near(combined.second.sqrt(), both, 1e-3);
    near(50_000_623.0 * u[5] * u[7].hypot(u[8]), 11.7, 0.3);
    near(50_000_623.0 * u[4] * u[6], 1.7, 0.05);
}

/// Voltage in V, current in A and phase in rad of GUM H.2, Table H.2.
const SETS: [[f64; 3]; 5] = [
    [5.007, 19.663e-3, 1.0456],
    [4.994, 19.639e-3, 1.0438],
    [5.005, 19.640e-3, 1.0468],
    [4.990, 19.685e-3, 1.0428],
    [4.999, 19.678e-3, 1.0433],
];

/// Mean of each column, and covariances of the means.
fn means(sets: &[[f64; 3]; 5]) -> ([f64; 3], [[f64; 3]; 3]) {
    let mean: [f64; 3] = std::array::from_fn(|i| sets.iter().map(|s| s[i]).sum::<f64>() / 5.0);
    let cross = |i: usize, j: usize| {
        sets.iter().map(|s| (s[i] - mean[i]) * (s[j] - mean[j])).sum::<f64>() / (5.0 * 4.0)
    };
    (mean, std::array::from_fn(|i| std::array::from_fn(|j| cross(i, j))))
}

fn impedance() -> Inputs {
    let (mean, covariance) = means(&SETS);
    let mut inputs = Inputs::default();
    for i in 0..3 {
        inputs.push(mean[i], covariance[i][i].sqrt(), 4.0);
    }
    for (i, j) in [(0, 1), (0, 2), (1, 2)] {
        inputs.correlation.push((i, j, covariance[i][j] / (inputs.u[i] * inputs.u[j])));
    }
    inputs
}

/// R = V/I cos p, X = V/I sin p, Z = V/I, each with its slopes.
fn resistance(x: &[f64]) -> (f64, Vec<f64>) {
    let (z, p) = (x[0] / x[1], x[2]);
    (z * p.cos(), vec![p.cos() / x[1], -z * p.cos() / x[1], -z * p.sin()])
}

fn reactance(x: &[f64]) -> (f64, Vec<f64>) {
    let (z, p) = (x[0] / x[1], x[2]);
    (z * p.sin(), vec![p.sin() / x[1], -z * p.sin() / x[1], z * p.cos()])
}

fn magnitude(x: &[f64]) -> (f64, Vec<f64>) {
    let z = x[0] / x[1];
    (z, vec![1.0 / x[1], -z / x[1], 0.0])
}

type Slopes = fn(&[f64]) -> (f64, Vec<f64>);

const RESULTS: [Slopes; 3] = [resistance, reactance, magnitude];

/// GUM Table H.2: means, their uncertainties and correlations.
#[test]
fn the_impedance_has_the_published_inputs() {
    let inputs = impedance();
    let expected = [(4.9990, 0.0032), (19.6610e-3, 0.0095e-3), (1.04446, 0.00075)];
    for (i, (value, u)) in expected.into_iter().enumerate() {
        near(inputs.values[i], value, 1e-9);
        near(inputs.u[i] / u, 1.0, 0.02);
    }
    for (found, r) in inputs.correlation.iter().zip([-0.36, 0.86, -0.65]) {
        near(found.2, r, 0.006);
    }
}

/// GUM Table H.3: R 127.732 (71), X 219.847 (295), Z 254.260 (236) ohms.
#[test]
fn correlated_inputs_give_the_published_impedance() {
    let inputs = impedance();
    let expected = [(127.732, 0.071), (219.847, 0.2956), (254.260, 0.236)];
    for (result, (value, u)) in RESULTS.into_iter().zip(expected) {
        let combined = inputs.combine(result);
        near(combined.value, value, 1e-3);
        near(combined.first, u, 1e-3);
    }
}

/// GUM Table H.3: the results are correlated by -0.588, -0.485 and 0.993.
#[test]
fn results_of_the_same_inputs_have_the_published_correlations() {
    let inputs = impedance();
    let slopes: Vec<Vec<f64>> = RESULTS.iter().map(|f| f(&inputs.values).1).collect();
    let u = |i: usize| inputs.covariance(&slopes[i], &slopes[i]).sqrt();
    for (i, j, r) in [(0, 1, -0.588), (0, 2, -0.485), (1, 2, 0.993)] {
        near(inputs.covariance(&slopes[i], &slopes[j]) / (u(i) * u(j)), r, 1e-3);
    }
}

/// GUM Table H.4: the results computed set by set and then averaged agree with the propagation.
#[test]
fn averaging_the_results_of_every_set_agrees_with_the_propagation() {
    let by_set = SETS.map(|set| RESULTS.map(|f| f(&set).0));
    let (mean, covariance) = means(&by_set);
    let inputs = impedance();
    for (i, result) in RESULTS.into_iter().enumerate() {
        let combined = inputs.combine(result);
        near(combined.value, mean[i], 1e-3);
        near(combined.first, covariance[i][i].sqrt(), 1e-3);
    }
    for (i, (value, u)) in
        [(127.732, 0.071), (219.847, 0.2956), (254.260, 0.236)].iter().enumerate()
    {
        near(mean[i], *value, 1e-3);
        near(covariance[i][i].sqrt(), *u, 1e-3);
    }
}

/// GUM Table G.2.
#[test]
fn coverage_factors_are_those_of_the_table() {
    for (degrees, confidence, k) in
        [(16.0, 0.99, 2.92), (50.0, 0.95, 2.01), (10.0, 0.9545, 2.28), (2.0, 0.9973, 19.21)]
    {
        near(coverage(degrees, confidence), k, 0.005);
    }
    near(coverage(f64::INFINITY, 0.95), 1.960, 0.001);
    near(coverage(0.0, 0.95), coverage(1.0, 0.95), 0.0);
}

/// GUM G.4.1, example: 1.03 %, 19.0 degrees.
#[test]
fn effective_degrees_of_freedom_are_those_of_the_example() {
    let mut inputs = Inputs::default();
    for (u, degrees) in [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)] {
        inputs.push(1.0, u, degrees);
    }
    let combined = inputs.combine(|x| (x.iter().sum(), vec![1.0; 3]));
    near(combined.first, 1.03, 0.005);
    near(combined.degrees, 19.0, 0.05);
    near(coverage(combined.degrees + 0.01, 0.95) * combined.first, 2.2, 0.05);
}

#[test]
fn a_limit_has_a_rectangular_law_and_a_doubt_its_degrees_of_freedom() {
    // GUM 4.3.7 and G.4.2: a doubt of a quarter has eight degrees.
    near(rectangular(3f64.sqrt()), 1.0, 1e-15);
    near(degrees(0.25), 8.0, 1e-12);
    assert_eq!(degrees(0.0), f64::INFINITY);
}
