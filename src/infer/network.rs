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
    /// `(interval, channel, mmHg)`: by how much a channel's pressure, taken at the height of the join, moves at the start of
    /// an interval, since its pump was raised (−) or lowered (+) and its store still holds what it held.
    pub lifts: Vec<(usize, usize, f64)>,
}

/// A channel on the march: its pressure, and what the stages of the present interval need of it.
#[derive(Clone, Copy, Default)]
struct Channel {
    /// Pressure at the pump, mmHg.
    mmhg: f64,
    /// Inflow, mL/h.
    inflow: f64,
    /// Resistance pump to join, mmHg·h/mL.
    own: f64,
    /// Compliance over the length of a stage, mL/(mmHg·h).
    store: f64,
    /// Share of a change at the join that has reached the pump after a stage: 1/(R·C/h + 1).
    pass: f64,
}

/// Solves the line from the steady state of its first interval.
///
/// Gives `(m + 1) × n` pressures at the pumps, mmHg, knot by knot, into `out`.
pub fn pressures(drive: &Drive, out: &mut Vec<f64>) {
    // Nearly all time of a review is spent here. With their number known the channels stay in registers.
    match drive.channels {
        0 => out.clear(),
        1 => march(drive, &mut [Channel::default(); 1], out),
        2 => march(drive, &mut [Channel::default(); 2], out),
        n => march(drive, &mut vec![Channel::default(); n], out),
    }
}

#[inline(always)]
fn march(drive: &Drive, channels: &mut [Channel], out: &mut Vec<f64>) {
    let n = channels.len();
    let compliance = drive.own_ml_per_mmhg.iter().sum::<f64>() + drive.shared_ml_per_mmhg;
    let mut join = drive.outlet_mmhg;
    if let Some(&shared) = drive.shared_mmhg_h_per_ml.first() {
        let flow: f64 = drive.inflow_ml_h.iter().take(n).sum();
        join += shared * flow;
        for (c, channel) in channels.iter_mut().enumerate() {
            channel.mmhg = join + drive.own_mmhg_h_per_ml[c] * drive.inflow_ml_h[c];
        }
    }
    out.clear();
    out.reserve((drive.dt_h.len() + 1) * n);
    out.extend(channels.iter().map(|c| c.mmhg));
    let inflows = drive.inflow_ml_h.chunks_exact(n);
    let owns = drive.own_mmhg_h_per_ml.chunks_exact(n);
    let shareds = drive.dt_h.iter().zip(&drive.shared_mmhg_h_per_ml);
    for (k, (((&dt_h, &shared), q), own)) in shareds.zip(inflows).zip(owns).enumerate() {
        // The scheme is accurate for steps short against the slowest time constant and right in the limit of
        // long ones (it is L-stable); in between a few parts keep its error below a hundredth of the change.
        let ratio = dt_h / (shared * compliance);
        let parts = if (0.3..30.0).contains(&ratio) { 3 } else { 1 };
        let per_h = f64::from(parts) / (GAMMA * dt_h);
        for &(_, c, mmhg) in drive.resets.iter().filter(|r| r.0 == k) {
            channels[c].mmhg = mmhg;
        }
        for &(_, c, mmhg) in drive.lifts.iter().filter(|l| l.0 == k) {
            channels[c].mmhg += mmhg;
        }
        let store = drive.shared_ml_per_mmhg * per_h;
        let out_through = 1.0 / shared;
        let mut weight = store + out_through;
        for (c, channel) in channels.iter_mut().enumerate() {
            channel.inflow = q[c];
            channel.own = own[c];
            channel.store = drive.own_ml_per_mmhg[c] * per_h;
            channel.pass = 1.0 / (channel.own * channel.store + 1.0);
            weight += channel.store * channel.pass;
        }
        let stage = Stage {
            store,
            out_flow: drive.outlet_mmhg * out_through,
            per_weight: 1.0 / weight,
        };
        for _ in 0..parts {
            join = stage.step(join, channels);
        }
        out.extend(channels.iter().map(|c| c.mmhg));
    }
}

/// What both stages of a step, and all steps of an interval, have in common at the join.
struct Stage {
    /// Compliance at and below the join over the length of a stage, mL/(mmHg·h).
    store: f64,
    /// What the outlet's pressure would drive up to the join, mL/h.
    out_flow: f64,
    /// One over the sum of all that holds on to the join's pressure.
    per_weight: f64,
}

impl Stage {
    /// One step of both stages; gives the new join pressure.
    #[inline(always)]
    fn step(&self, join: f64, channels: &mut [Channel]) -> f64 {
        const CARRY: f64 = (1.0 - GAMMA) / GAMMA;
        let half = self.join_after(join, channels);
        for channel in channels.iter_mut() {
            let stage_mmhg = channel.after(half);
            channel.mmhg += CARRY * (stage_mmhg - channel.mmhg);
        }
        let join = join + CARRY * (half - join);
        let join = self.join_after(join, channels);
        for channel in channels.iter_mut() {
            channel.mmhg = channel.after(join);
        }
        join
    }

    /// Join pressure after one backward Euler stage, the channels eliminated.
    #[inline(always)]
    fn join_after(&self, join: f64, channels: &[Channel]) -> f64 {
        let channels = channels.iter().map(|c| c.pass * c.held());
        (self.store * join + self.out_flow + channels.sum::<f64>()) * self.per_weight
    }
}

impl Channel {
    /// What holds the pump's pressure up against the join, mL/h: (C/h) P + Q.
    #[inline(always)]
    fn held(&self) -> f64 {
        self.store * self.mmhg + self.inflow
    }

    /// Pressure after a stage at whose end the join has this pressure: (C/h + 1/R) P = (C/h) P_old + Q + P_J/R.
    #[inline(always)]
    fn after(&self, join: f64) -> f64 {
        self.pass * (self.own * self.held() + join)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
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
            lifts: Vec::new(),
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
            lifts: Vec::new(),
        };
        let mut out = Vec::new();
        pressures(&drive, &mut out);
        // P_i = P_out + R_i Q_i + R_s ΣQ
        assert!((out[2] - (6.0 + 0.2 + 9.0)).abs() < 1e-9);
        assert!((out[3] - (6.0 + 0.1 + 9.0)).abs() < 1e-9);
    }

    /// Each stage as one dense linear system, `(D + K) x = D x_old + f`: nothing eliminated, nothing kept.
    fn densely(drive: &Drive) -> Vec<f64> {
        let n = drive.channels;
        let total: f64 = drive.own_ml_per_mmhg.iter().sum::<f64>() + drive.shared_ml_per_mmhg;
        let stage = |k: usize, h: f64, old: &DVector<f64>| {
            let mut matrix = DMatrix::zeros(n + 1, n + 1);
            let mut right = DVector::zeros(n + 1);
            let shared = drive.shared_mmhg_h_per_ml[k];
            matrix[(n, n)] = drive.shared_ml_per_mmhg / h + 1.0 / shared;
            right[n] = drive.shared_ml_per_mmhg / h * old[n] + drive.outlet_mmhg / shared;
            for c in 0..n {
                let own = drive.own_mmhg_h_per_ml[k * n + c];
                let store = drive.own_ml_per_mmhg[c] / h;
                matrix[(c, c)] = store + 1.0 / own;
                matrix[(n, n)] += 1.0 / own;
                matrix[(c, n)] = -1.0 / own;
                matrix[(n, c)] = -1.0 / own;
                right[c] = store * old[c] + drive.inflow_ml_h[k * n + c];
            }
            matrix.lu().solve(&right).unwrap()
        };
        let flow: f64 = drive.inflow_ml_h[..n].iter().sum();
        let mut x = DVector::from_element(
            n + 1,
            drive.outlet_mmhg + drive.shared_mmhg_h_per_ml[0] * flow,
        );
        for c in 0..n {
            x[c] += drive.own_mmhg_h_per_ml[c] * drive.inflow_ml_h[c];
        }
        let mut out: Vec<f64> = x.iter().take(n).copied().collect();
        for (k, &dt_h) in drive.dt_h.iter().enumerate() {
            for &(_, c, mmhg) in drive.resets.iter().filter(|r| r.0 == k) {
                x[c] = mmhg;
            }
            for &(_, c, mmhg) in drive.lifts.iter().filter(|l| l.0 == k) {
                x[c] += mmhg;
            }
            let ratio = dt_h / (drive.shared_mmhg_h_per_ml[k] * total);
            let parts = if (0.3..30.0).contains(&ratio) { 3 } else { 1 };
            let h = GAMMA * dt_h / f64::from(parts);
            for _ in 0..parts {
                let half = stage(k, h, &x);
                let from = &x + (half - &x) * ((1.0 - GAMMA) / GAMMA);
                x = stage(k, h, &from);
            }
            out.extend(x.iter().take(n));
        }
        out
    }

    #[rstest]
    #[case(1)]
    #[case(2)]
    #[case(3)]
    fn the_march_agrees_with_dense_systems(#[case] channels: usize) {
        // Intervals of a second to half an hour, rates with pauses, resistances of an open and a nearly closed line.
        let m = 40;
        let made = |i: usize, from: f64, to: f64| {
            from * (to / from).powf((i as f64 * 0.618_033_988_749).fract())
        };
        let each = |from: f64, to: f64| (0..m * channels).map(move |i| made(i, from, to));
        let drive = Drive {
            channels,
            dt_h: (0..m).map(|k| made(k, 3e-4, 0.5)).collect(),
            inflow_ml_h: each(0.5, 8.0)
                .enumerate()
                .map(|(i, q)| if i % 5 == 3 { 0.0 } else { q })
                .collect(),
            own_mmhg_h_per_ml: each(0.02, 40.0).collect(),
            shared_mmhg_h_per_ml: (0..m).map(|k| made(k + 7, 0.5, 300.0)).collect(),
            own_ml_per_mmhg: (0..channels).map(|c| made(c, 8e-4, 3e-3)).collect(),
            shared_ml_per_mmhg: 3e-4,
            outlet_mmhg: 6.0,
            resets: vec![(11, channels - 1, 25.0)],
            lifts: vec![(25, 0, -15.0)],
        };
        let mut fast = Vec::new();
        pressures(&drive, &mut fast);
        let slow = densely(&drive);
        assert_eq!(fast.len(), slow.len());
        for (a, b) in fast.iter().zip(&slow) {
            assert!((a - b).abs() <= 1e-9 * b.abs().max(1.0), "{a} against {b}");
        }
    }
}
