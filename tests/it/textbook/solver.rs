//! The line equation, solved in steps of half a second: what each pump's sensor would read.
//!
//! C_i·dP_i/dt = Q_i − (P_i − o_i − P_J)/R_i for each channel, with o_i what a moved pump adds;
//! C_J·dP_J/dt = Σ(P_i − o_i − P_J)/R_i − (P_J − P_D)/R_f at the join;
//! C_D·dP_D/dt = (P_J − P_D)/R_f − (P_D − P_out)/R_c below the filter.
//! Implicit in time, so that a closed clamp and a stiff tubing are as easy as an open line.

/// The step, hours.
const STEP_H: f64 = 0.5 / 3600.0;

/// The resistance of what is closed, mmHg·h/mL.
pub const CLOSED: f64 = 1e7;

/// What the line is made of, open. Resistances in mmHg·h/mL, compliances in mL/mmHg.
#[derive(Debug, Clone)]
pub struct Parts {
    /// Of each channel, pump to join: resistance and compliance.
    pub channels: Vec<(f64, f64)>,
    pub join_compliance: f64,
    pub filter: f64,
    pub tail_compliance: f64,
    pub catheter: f64,
}

/// The line's resistances at a moment.
#[derive(Debug, Clone)]
pub struct Now {
    pub tubing: Vec<f64>,
    pub filter: f64,
    pub catheter: f64,
    /// Pressure at the catheter's tip, mmHg.
    pub outlet: f64,
    /// What the height of each pump adds to its reading, mmHg.
    pub lift: Vec<f64>,
}

/// Pressures and the volume that went through the filter, mL.
#[derive(Debug, Clone)]
pub struct State {
    pub pumps: Vec<f64>,
    pub join: f64,
    pub below: f64,
    pub filtered_ml: f64,
}

impl State {
    /// A line at rest.
    pub fn at_rest(channels: usize, outlet: f64) -> Self {
        Self {
            pumps: vec![outlet; channels],
            join: outlet,
            below: outlet,
            filtered_ml: 0.0,
        }
    }

    /// Goes on for `seconds`, a multiple of half a second.
    pub fn run(&mut self, parts: &Parts, now: &Now, flows: &[f64], seconds: f64) {
        for _ in 0..(seconds / 3600.0 / STEP_H).round() as usize {
            self.step(parts, now, flows);
        }
    }

    /// One implicit step: each pump is worked out of the join's row, which leaves two equations for join and tail.
    fn step(&mut self, parts: &Parts, now: &Now, flows: &[f64]) {
        let store = parts.join_compliance / STEP_H;
        let through = 1.0 / now.filter;
        let (mut a, mut b) = (store + through, store * self.join);
        for (i, &(_, compliance)) in parts.channels.iter().enumerate() {
            let (c, g) = (compliance / STEP_H, 1.0 / now.tubing[i]);
            // (c + g)·P_i = c·P_i(before) + Q_i + g·(o_i + P_J)
            let free = (c * self.pumps[i] + flows[i] + g * now.lift[i]) / (c + g);
            a += g - g * g / (c + g);
            b += g * (free - now.lift[i]);
        }
        let tail = parts.tail_compliance / STEP_H;
        let out = 1.0 / now.catheter;
        let d = tail + through + out;
        let e = tail * self.below + out * now.outlet;
        // a·P_J − through·P_D = b; −through·P_J + d·P_D = e
        self.join = (b * d + through * e) / (a * d - through * through);
        self.below = (e + through * self.join) / d;
        for (i, &(_, compliance)) in parts.channels.iter().enumerate() {
            let (c, g) = (compliance / STEP_H, 1.0 / now.tubing[i]);
            self.pumps[i] =
                (c * self.pumps[i] + flows[i] + g * (now.lift[i] + self.join)) / (c + g);
        }
        self.filtered_ml += (through * (self.join - self.below)).max(0.0) * STEP_H;
    }
}

fn single(filter: f64, catheter: f64) -> (Parts, Now) {
    let parts = Parts {
        channels: vec![(0.05, 0.0015)],
        join_compliance: 1e-5,
        filter,
        tail_compliance: 2e-4,
        catheter,
    };
    let now = Now {
        tubing: vec![0.05],
        filter,
        catheter,
        outlet: 5.0,
        lift: vec![0.0],
    };
    (parts, now)
}

#[test]
fn a_steady_line_stands_at_the_outlet_plus_flow_times_what_lies_below() {
    // P = P_out + R_i·Q_i + (R_f + R_c)·ΣQ = 5 + 0.05·4 + (0.4 + 2.5)·4 = 16.8
    let (parts, now) = single(0.4, 2.5);
    let mut state = State::at_rest(1, 5.0);
    state.run(&parts, &now, &[4.0], 3600.0);
    assert!((state.pumps[0] - 16.8).abs() < 1e-6, "{}", state.pumps[0]);
    // A pump 10 mmHg lower reads 10 more, at the same flow.
    let lowered = Now {
        lift: vec![10.0],
        ..now
    };
    state.run(&parts, &lowered, &[4.0], 3600.0);
    assert!((state.pumps[0] - 26.8).abs() < 1e-6, "{}", state.pumps[0]);
}

#[test]
fn a_closed_line_climbs_straight_at_flow_over_compliance() {
    // Closed at the catheter: 4 mL/h into 1.5 + 0.01 + 0.2 µL/mmHg, in 3 min.
    let (parts, mut now) = single(0.4, 2.5);
    let mut state = State::at_rest(1, 5.0);
    state.run(&parts, &now, &[4.0], 3600.0);
    now.catheter = CLOSED;
    state.run(&parts, &now, &[4.0], 60.0);
    let before = state.pumps[0];
    state.run(&parts, &now, &[4.0], 180.0);
    let expected = 4.0 * 0.05 / 0.00171;
    assert!((state.pumps[0] - before - expected).abs() < 0.01);
    // At rest what is held passes over with R·C: the catheter's 2.5, less what the filter hides of the tail.
    now.catheter = 2.5;
    let held = state.pumps[0] - 5.0;
    let tau_s = (2.5 * 0.00171 + 0.4 * 0.00151) * 3600.0;
    state.run(&parts, &now, &[0.0], f64::round(2.0 * tau_s));
    let left = (state.pumps[0] - 5.0) / held;
    assert!((0.9..1.15).contains(&(left / (-2.0_f64).exp())), "{left}");
}
