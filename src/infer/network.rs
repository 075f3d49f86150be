//! The line equations, solved forward: what pressure each pump sees while parts of the line change.
//!
//! In: per interval the inflow of each channel and the resistances, and the compliances. Out: the pressure at
//! each pump at each knot. The equations are those of an elastic store per channel and one at the join:
//!
//! ```text
//! C_i dP_i/dt = Q_i − (P_i − P_J)/R_i
//! C_J dP_J/dt = Σ (P_i − P_J)/R_i − (P_J − P_out)/R_s
//! ```
//!
//! with `R_s` all that lies below the join. They are stiff (a tube's own time constant is a fraction of a
//! second, a blocked line's hours), so each interval is taken with a two-stage, second-order, L-stable,
//! singly diagonally implicit scheme: Alexander, SIAM J. Numer. Anal. 14 (1977) 1006–1021. Channels meet only
//! at the join, so each stage is solved by elimination in time linear in the number of channels.

/// Stage weight of the scheme, 1 − 1/√2.
const GAMMA: f64 = 1.0 - std::f64::consts::FRAC_1_SQRT_2;

/// A line over a window of time: knots, inflows, resistances and compliances.
#[derive(Debug, Clone)]
pub struct Drive {
    /// Number of channels, `n`.
    pub channels: usize,
    /// Length of each of the `m` intervals, hours.
    pub dt_h: Vec<f64>,
    /// Inflow, mL/h, `m × n`, interval by interval.
    pub inflow_ml_h: Vec<f64>,
    /// Resistance pump to join, mmHg·h/mL, `m × n`.
    pub own_mmhg_h_per_ml: Vec<f64>,
    /// Resistance below the join, mmHg·h/mL, `m`.
    pub shared_mmhg_h_per_ml: Vec<f64>,
    /// Compliance of each channel, mL/mmHg, `n`.
    pub own_ml_per_mmhg: Vec<f64>,
    /// Compliance at and below the join, mL/mmHg.
    pub shared_ml_per_mmhg: f64,
    /// Pressure at zero flow, mmHg.
    pub outlet_mmhg: f64,
    /// `(interval, channel, mmHg)`: a channel's pressure is set at the start of an interval, since its line was opened.
    pub resets: Vec<(usize, usize, f64)>,
}

/// Solves the line from the steady state of its first interval.
///
/// Gives `(m + 1) × n` pressures at the pumps, mmHg, knot by knot, into `out`.
pub fn pressures(drive: &Drive, out: &mut Vec<f64>) {
    let n = drive.channels;
    out.clear();
    let mut p = vec![0.0; n];
    let mut stage = vec![0.0; n];
    let mut join = drive.outlet_mmhg;
    if let Some(&shared) = drive.shared_mmhg_h_per_ml.first() {
        let flow: f64 = drive.inflow_ml_h.iter().take(n).sum();
        join += shared * flow;
        for (c, pressure) in p.iter_mut().enumerate() {
            *pressure = join + drive.own_mmhg_h_per_ml[c] * drive.inflow_ml_h[c];
        }
    }
    out.extend_from_slice(&p);
    for k in 0..drive.dt_h.len() {
        let q = &drive.inflow_ml_h[k * n..(k + 1) * n];
        let own = &drive.own_mmhg_h_per_ml[k * n..(k + 1) * n];
        let shared = drive.shared_mmhg_h_per_ml[k];
        // The scheme is accurate for steps short against the slowest time constant and right in the limit of
        // long ones (it is L-stable); in between a few parts keep its error below a hundredth of the change.
        let store: f64 = drive.own_ml_per_mmhg.iter().sum::<f64>() + drive.shared_ml_per_mmhg;
        let ratio = drive.dt_h[k] / (shared * store);
        let parts = if (0.3..30.0).contains(&ratio) { 3 } else { 1 };
        let h = drive.dt_h[k] / f64::from(parts);
        for &(_, c, mmhg) in drive.resets.iter().filter(|r| r.0 == k) {
            p[c] = mmhg;
        }
        for _ in 0..parts {
            let join_0 = join;
            stage.copy_from_slice(&p);
            let join_1 = implicit(drive, q, own, shared, GAMMA * h, join, &mut stage);
            let carry = (1.0 - GAMMA) / GAMMA;
            for (pressure, s) in p.iter_mut().zip(&stage) {
                *pressure += carry * (s - *pressure);
            }
            join = join_0 + carry * (join_1 - join_0);
            join = implicit(drive, q, own, shared, GAMMA * h, join, &mut p);
        }
        out.extend_from_slice(&p);
    }
}

/// One backward Euler stage of `h` hours from the values in `p` and `join`; gives the new join pressure.
fn implicit(
    drive: &Drive,
    q: &[f64],
    own: &[f64],
    shared: f64,
    h: f64,
    join: f64,
    p: &mut [f64],
) -> f64 {
    let mut weight = drive.shared_ml_per_mmhg / h + 1.0 / shared;
    let mut rhs = drive.shared_ml_per_mmhg / h * join + drive.outlet_mmhg / shared;
    for c in 0..drive.channels {
        // Channel c by itself: (C/h + 1/R) P = C/h P_old + Q + P_J/R.
        let store = drive.own_ml_per_mmhg[c] / h;
        let through = 1.0 / (own[c] + 1.0 / store); // 1/R in series with the store
        weight += through;
        rhs += through * (p[c] + q[c] / store);
    }
    let new_join = rhs / weight;
    for c in 0..drive.channels {
        let store = drive.own_ml_per_mmhg[c] / h;
        let conductance = 1.0 / own[c];
        p[c] = (store * p[c] + q[c] + conductance * new_join) / (store + conductance);
    }
    new_join
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    fn one_channel(minutes: f64, steps: usize, q: f64, r: f64, c: f64, outlet: f64) -> Drive {
        Drive {
            channels: 1,
            dt_h: vec![minutes / 60.0 / steps as f64; steps],
            inflow_ml_h: vec![q; steps],
            own_mmhg_h_per_ml: vec![1e-4; steps],
            shared_mmhg_h_per_ml: vec![r; steps],
            own_ml_per_mmhg: vec![c],
            shared_ml_per_mmhg: 1e-9,
            outlet_mmhg: outlet,
            resets: Vec::new(),
        }
    }

    // Partial occlusion, R 10 → 100, Q 2 mL/h, C 0.0012 mL/mmHg, P_v 5: exact solution of the first-order
    // equation, P(t) = 205 − 180 exp(−t/7.2 min), values worked out independently to 1e-6.
    #[rstest]
    #[case(1.0, 48.3415)]
    #[case(2.0, 68.6563)]
    #[case(5.0, 115.1167)]
    #[case(15.0, 182.5874)]
    #[case(30.0, 202.2093)]
    fn a_partial_block_relaxes_to_its_new_level(#[case] minutes: f64, #[case] expected_mmhg: f64) {
        let mut drive = one_channel(minutes, 40, 2.0, 100.0, 0.0012, 5.0);
        drive.shared_mmhg_h_per_ml.insert(0, 10.0); // a first interval at the old resistance sets the start
        drive.dt_h.insert(0, 1e-9);
        drive.inflow_ml_h.insert(0, 2.0);
        drive.own_mmhg_h_per_ml.insert(0, 1e-4);
        let mut out = Vec::new();
        pressures(&drive, &mut out);
        assert!(
            (out.last().unwrap() - expected_mmhg).abs() < 0.02,
            "{:?}",
            out.last()
        );
    }

    #[test]
    fn a_complete_block_climbs_in_a_straight_line_of_flow_over_compliance() {
        // 27.7778 mmHg/min at Q 2 mL/h, C 0.0012 mL/mmHg: dP/dt = Q/C.
        let mut drive = one_channel(4.5, 9, 2.0, 1e7, 0.0012, 25.0);
        drive.shared_mmhg_h_per_ml.insert(0, 1e-6);
        drive.dt_h.insert(0, 1e-9);
        drive.inflow_ml_h.insert(0, 2.0);
        drive.own_mmhg_h_per_ml.insert(0, 1e-4);
        let mut out = Vec::new();
        pressures(&drive, &mut out);
        assert!(
            (out.last().unwrap() - 150.0).abs() < 0.01,
            "{:?}",
            out.last()
        );
    }

    #[test]
    fn in_the_steady_state_channels_share_what_lies_below_the_join() {
        let drive = Drive {
            channels: 2,
            dt_h: vec![10.0],
            inflow_ml_h: vec![4.0, 0.5],
            own_mmhg_h_per_ml: vec![0.05, 0.2],
            shared_mmhg_h_per_ml: vec![2.0],
            own_ml_per_mmhg: vec![0.0013, 0.0008],
            shared_ml_per_mmhg: 0.0004,
            outlet_mmhg: 6.0,
            resets: Vec::new(),
        };
        let mut out = Vec::new();
        pressures(&drive, &mut out);
        // P_i = P_out + R_i Q_i + R_s ΣQ
        assert!((out[2] - (6.0 + 0.2 + 9.0)).abs() < 1e-9);
        assert!((out[3] - (6.0 + 0.1 + 9.0)).abs() < 1e-9);
    }
}
