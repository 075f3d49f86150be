//! The line's equations: a tree of elastic nodes joined by resistances, stepped by a method that stiffness cannot upset.
//!
//! In: flows into the nodes, resistances, storage. Out: pressures. Each channel has two nodes (pump, tubing), then
//! come the join (with the filter's housing) and the tail; the tail drains into the vein. Pressures here are
//! referred to the level of the heart: a pump `h` above it reads less by the column between.

/// Resistance that stands for "closed", mmHg·h/mL: at 1 µL/mmHg and 100 mmHg it leaks 0.0001 mL in an hour.
pub(super) const CLOSED: f64 = 1e6;

/// Nodes of the largest line: three channels of two, join, tail.
const NODES: usize = 8;

/// Alexander's two-stage, second-order, L-stable diagonally implicit method. Source: Alexander, SIAM J. Numer.
/// Anal. 14 (1977) 1006–1021 (from memory; its order and damping are tested below).
const GAMMA: f64 = 1.0 - std::f64::consts::FRAC_1_SQRT_2;

/// One line.
#[derive(Debug, Clone)]
pub(super) struct Network {
    nodes: usize,
    parent: [usize; NODES],
    /// Resistance from each node to its parent, mmHg·h/mL.
    pub resistance: [f64; NODES],
    /// Storage of each node, mL/mmHg.
    pub storage: [f64; NODES],
    /// Flow into each node from outside, mL/h.
    pub inflow: [f64; NODES],
    /// Conductance of each node to open air at heart level, mL/h per mmHg; 0 unless the line is open.
    pub vent: [f64; NODES],
    /// Pressure of each node, mmHg, at heart level.
    pub pressure: [f64; NODES],
    /// Pressure that the tail drains into, mmHg.
    pub vein_mmhg: f64,
}

impl Network {
    /// A line of so many channels (1 to 3), everything at zero pressure.
    pub fn new(channels: usize) -> Self {
        let join = 2 * channels;
        let mut parent = [NODES; NODES];
        for c in 0..channels {
            parent[2 * c] = 2 * c + 1;
            parent[2 * c + 1] = join;
        }
        parent[join] = join + 1;
        Self {
            nodes: join + 2,
            parent,
            resistance: [1.0; NODES],
            storage: [1e-6; NODES],
            inflow: [0.0; NODES],
            vent: [0.0; NODES],
            pressure: [0.0; NODES],
            vein_mmhg: 0.0,
        }
    }

    /// The pump's node of a channel.
    pub fn pump(channel: usize) -> usize {
        2 * channel
    }

    /// The tubing's node of a channel.
    pub fn tube(channel: usize) -> usize {
        2 * channel + 1
    }

    /// The join.
    pub fn join(&self) -> usize {
        self.nodes - 2
    }

    /// The tail.
    pub fn tail(&self) -> usize {
        self.nodes - 1
    }

    /// Flow from a node to its parent (the tail's: into the vein), mL/h.
    pub fn flow(&self, node: usize) -> f64 {
        let below = if node == self.tail() {
            self.vein_mmhg
        } else {
            self.pressure[self.parent[node]]
        };
        (self.pressure[node] - below) / self.resistance[node]
    }

    /// Steps by `dt_h` hours with resistances, storage and inflow as they stand.
    pub fn step(&mut self, dt_h: f64) {
        let n = self.nodes;
        let mut weight = [0.0; NODES];
        for (w, c) in weight.iter_mut().zip(&self.storage) {
            *w = c / (GAMMA * dt_h);
        }
        let start = self.pressure;
        let first = self.solve(&weight, &start);
        let mut between = start;
        for node in 0..n {
            // first = start + γ h k₁, and the second stage starts from start + (1 − γ) h k₁
            between[node] = start[node] + (1.0 - GAMMA) / GAMMA * (first[node] - start[node]);
        }
        self.pressure = self.solve(&weight, &between);
    }

    /// Pressures at which nothing changes any more.
    pub fn settle(&mut self) {
        self.pressure = self.solve(&[0.0; NODES], &[0.0; NODES]);
    }

    /// Solves `weight (x − from) = inflow − flows(x)` by elimination from the leaves to the root: the matrix is a tree.
    ///
    /// What hangs on a node is folded into one conductance `rest` to pressure zero and one flow; in series with the
    /// edge to the parent it is `g rest / (g + rest)`, which has no cancellation, however small the resistance.
    fn solve(&self, weight: &[f64; NODES], from: &[f64; NODES]) -> [f64; NODES] {
        let n = self.nodes;
        let mut rest = [0.0; NODES];
        let mut flow = [0.0; NODES];
        for node in 0..n {
            rest[node] += weight[node] + self.vent[node];
            flow[node] += weight[node] * from[node] + self.inflow[node];
            if node < n - 1 {
                let g = 1.0 / self.resistance[node];
                let parent = self.parent[node];
                rest[parent] += g * rest[node] / (g + rest[node]);
                flow[parent] += g * flow[node] / (g + rest[node]);
            }
        }
        let mut x = [0.0; NODES];
        for node in (0..n).rev() {
            let g = 1.0 / self.resistance[node];
            let below = if node == n - 1 {
                self.vein_mmhg
            } else {
                x[self.parent[node]]
            };
            x[node] = (flow[node] + g * below) / (g + rest[node]);
        }
        x
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One pump with all the storage (mL/mmHg) at it, and a resistance below.
    fn one(storage: f64, resistance: f64, rate: f64, vein: f64) -> Network {
        let mut line = Network::new(1);
        line.resistance = [1e-9; NODES];
        line.resistance[line.tail()] = resistance;
        line.storage = [1e-15; NODES];
        line.storage[0] = storage;
        line.inflow[0] = rate;
        line.vein_mmhg = vein;
        line.settle();
        line
    }

    fn pass(line: &mut Network, minutes: f64) {
        let steps = (minutes * 60.0 / 0.5).round() as usize;
        for _ in 0..steps {
            line.step(minutes / 60.0 / steps as f64);
        }
    }

    fn close(found: f64, expected: f64, relative: f64) {
        assert!(
            (found / expected - 1.0).abs() <= relative,
            "{found} against {expected}"
        );
    }

    #[test]
    fn a_complete_block_climbs_at_the_rate_over_the_compliance() {
        // dP/dt = Q/C: 2 mL/h into 0.0012 mL/mmHg is 27.7778 mmHg/min; from 25 mmHg, 150 mmHg after 4.5 min (arithmetic)
        let mut line = one(0.0012, 10.0, 2.0, 5.0);
        close(line.pressure[0], 25.0, 1e-9);
        line.resistance[line.tail()] = 1e15;
        pass(&mut line, 1.0);
        close(line.pressure[0] - 25.0, 2.0 / 0.0012 / 60.0, 1e-9);
        pass(&mut line, 3.5);
        close(line.pressure[0], 150.0, 1e-9);
    }

    #[test]
    fn a_closed_clamp_reaches_300_mmhg_in_the_time_that_the_compliance_gives() {
        // t = C 300/Q. Compliance of 50 mL syringes 9.0e-9 to 2.1e-8 L/Pa (Snijder et al., Biomed Eng-Biomed Tech 2015,
        // 10.1515/bmt-2014-0148) = 0.0012 and 0.0028 mL/mmHg: 43.2 and 100.8 min at 0.5 mL/h, 4.32 and 10.08 at 5 mL/h
        for (storage, rate, minutes) in [
            (0.0012, 0.5, 43.2),
            (0.0028, 0.5, 100.8),
            (0.0012, 5.0, 4.32),
            (0.0028, 5.0, 10.08),
        ] {
            let mut line = one(storage, 1e15, rate, 0.0);
            line.pressure = [0.0; NODES];
            pass(&mut line, minutes);
            close(line.pressure[0], 300.0, 1e-6);
            close(storage * line.pressure[0], storage * 300.0, 1e-6);
        }
    }

    #[test]
    fn a_partial_block_relaxes_to_its_new_level() {
        // P(t) = 205 - 180 e^(-t/7.2 min): R 10 to 100, Q 2, C 0.0012, vein 5 (exact solution of C dP/dt = Q - (P - 5)/R)
        let mut line = one(0.0012, 10.0, 2.0, 5.0);
        line.resistance[line.tail()] = 100.0;
        let mut at = 0.0;
        for (minutes, expected) in [
            (1.0, 48.3415),
            (2.0, 68.6563),
            (5.0, 115.1167),
            (15.0, 182.5874),
            (30.0, 202.2093),
        ] {
            pass(&mut line, minutes - at);
            at = minutes;
            assert!((line.pressure[0] - expected).abs() < 1e-4, "{minutes} min"); // the table has four decimals
        }
    }

    #[test]
    fn a_stopped_pump_relaxes_through_what_is_open_and_not_at_all_through_what_is_closed() {
        // from 150 mmHg with R 100, C 0.0012, vein 5: P(t) = 5 + 145 e^(-t/7.2 min)
        let mut line = one(0.0012, 100.0, 0.0, 5.0);
        line.pressure = [150.0; NODES];
        let mut at = 0.0;
        for (minutes, expected) in [(1.0, 131.1971), (5.0, 77.4060), (10.0, 41.1561)] {
            pass(&mut line, minutes - at);
            at = minutes;
            close(line.pressure[0], expected, 1e-6);
        }
        let mut shut = one(0.0012, 1e15, 0.0, 5.0);
        shut.pressure = [150.0; NODES];
        pass(&mut shut, 60.0);
        close(shut.pressure[0], 150.0, 1e-9);
    }

    #[test]
    fn a_fine_catheter_needs_most_of_a_limit_with_nothing_blocked() {
        // 5 mmHg vein + (0.12754 extension + 0.3 filter + 20.3603 catheter) Q: Poiseuille, water at 20 °C (IAPWS R12-08),
        // tube of 1.0 mm × 1.5 m and catheter of 0.17 mm × 0.20 m
        let mut line = Network::new(1);
        line.resistance = [0.06377, 0.06377, 0.3, 20.3603, 1.0, 1.0, 1.0, 1.0];
        line.vein_mmhg = 5.0;
        for (rate, expected) in [
            (1.0, 25.788),
            (2.0, 46.576),
            (5.0, 108.939),
            (10.0, 212.878),
        ] {
            line.inflow[0] = rate;
            line.settle();
            close(line.pressure[0], expected, 1e-4);
        }
    }

    #[test]
    fn two_rates_give_resistance_and_outlet_pressure() {
        // 25 mmHg at 2 mL/h and 45 at 4: R 10, intercept 5 (arithmetic)
        let low = one(0.0012, 10.0, 2.0, 5.0).pressure[0];
        let high = one(0.0012, 10.0, 4.0, 5.0).pressure[0];
        close((high - low) / 2.0, 10.0, 1e-9);
        close(low - 2.0 * (high - low) / 2.0, 5.0, 1e-8);
    }

    #[test]
    fn three_channels_agree_with_an_independent_solver() {
        // scripts/reference-line/line_ode.py: SciPy 1.17 solve_ivp, Radau, rtol 1e-11, atol 1e-12, the same equations written
        // as a dense system; clamp at the second channel's tube at 60 s, catheter narrowed fourfold at 300 s
        let mut line = Network::new(3);
        line.resistance = [0.02, 0.05, 0.03, 0.08, 0.01, 0.04, 0.4, 3.0];
        line.storage = [1.3e-3, 3e-4, 2.1e-3, 5e-4, 6e-4, 1e-4, 2.5e-4, 1e-4];
        line.inflow = [4.0, 0.0, 0.6, 0.0, 1.5, 0.0, 0.0, 0.0];
        line.vein_mmhg = 4.0;
        line.settle();
        let run = |line: &mut Network, seconds: f64| {
            for _ in 0..(seconds / 0.1).round() as usize {
                line.step(0.1 / 3600.0);
            }
        };
        run(&mut line, 60.0);
        line.resistance[3] = CLOSED;
        run(&mut line, 240.0);
        let at_300 = [
            line.pressure[0],
            line.pressure[2],
            line.pressure[4],
            line.pressure[7],
        ];
        line.resistance[7] = 12.0;
        run(&mut line, 300.0);
        let at_600 = [
            line.pressure[0],
            line.pressure[2],
            line.pressure[4],
            line.pressure[7],
        ];
        let expected_300 = [22.981301, 40.187576, 22.776291, 20.501140];
        let expected_600 = [68.553976, 59.418487, 68.357588, 66.208412];
        for (found, expected) in at_300
            .iter()
            .zip(expected_300)
            .chain(at_600.iter().zip(expected_600))
        {
            close(*found, expected, 1e-5);
        }
    }

    #[test]
    fn a_stiff_line_does_not_ring() {
        // time constants of 0.1 s stepped by 60 s: an L-stable method goes to the new level without swinging
        let mut line = one(1e-6, 3.0, 2.0, 5.0);
        line.inflow[0] = 4.0;
        line.step(60.0 / 3600.0);
        close(line.pressure[0], 17.0, 1e-3);
    }
}
