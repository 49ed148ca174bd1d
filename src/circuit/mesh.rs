//! Elimination of nodes from a network of conductances between two rails.
//!
//! Nodal analysis (Kirchhoff's current law at every node) gives `Y v = i` with `Y` a symmetric
//! M-matrix. The nodes are eliminated by the star-mesh transform: a node of conductance sum `d`
//! leaves `c_ik c_kj / d` between its neighbours. That is Gaussian elimination with the diagonal
//! kept as a sum of conductances, so nothing is ever subtracted and a microohm beside a gigaohm
//! costs no digits (the idea of Grassmann, Taksar and Heyman, 1985; from memory). A dense LU of
//! the same matrix loses one digit for each decade between the parts.

/// A network of nodes, reduced; solves for any rail voltage and injected currents in O(n²).
#[derive(Clone, Debug)]
pub(crate) struct Mesh {
    n: usize,
    /// `c[i * n + k]`, conductance in siemens between two nodes, at the time of elimination.
    c: Vec<f64>,
    supply: Vec<f64>,
    ground: Vec<f64>,
    pivot: Vec<f64>,
}

impl Mesh {
    /// An empty network of `n` nodes.
    pub fn new(n: usize) -> Mesh {
        let zeros = vec![0.0; n];
        Mesh { n, c: vec![0.0; n * n], supply: zeros.clone(), ground: zeros.clone(), pivot: zeros }
    }

    /// Adds siemens between two nodes.
    pub fn join(&mut self, a: usize, b: usize, siemens: f64) {
        if a != b {
            self.c[a * self.n + b] += siemens;
            self.c[b * self.n + a] += siemens;
        }
    }

    /// Adds siemens from a node to the supply.
    pub fn join_supply(&mut self, node: usize, siemens: f64) {
        self.supply[node] += siemens;
    }

    /// Adds siemens from a node to ground.
    pub fn join_ground(&mut self, node: usize, siemens: f64) {
        self.ground[node] += siemens;
    }

    /// Eliminates node after node; call once, after the last conductance.
    pub fn eliminate(&mut self) {
        let n = self.n;
        for k in 0..n {
            let later: f64 = (k + 1..n).map(|j| self.c[k * n + j]).sum();
            let d = later + self.supply[k] + self.ground[k];
            self.pivot[k] = d;
            if d <= 0.0 {
                continue; // a node without any conductance has no neighbours either
            }
            for i in k + 1..n {
                let share = self.c[k * n + i] / d;
                if share == 0.0 {
                    continue;
                }
                self.supply[i] += share * self.supply[k];
                self.ground[i] += share * self.ground[k];
                for j in i + 1..n {
                    let more = share * self.c[k * n + j];
                    self.c[i * n + j] += more;
                    self.c[j * n + i] += more;
                }
            }
        }
    }

    /// Node voltages for a supply of `volts` and currents in amperes flowing into the nodes.
    pub fn solve(&self, volts: f64, inject: &[f64]) -> Vec<f64> {
        let n = self.n;
        let mut v = inject.to_vec();
        for k in 0..n {
            if v[k] == 0.0 || self.pivot[k] <= 0.0 {
                continue;
            }
            let per_siemens = v[k] / self.pivot[k];
            for i in k + 1..n {
                v[i] += self.c[k * n + i] * per_siemens;
            }
        }
        for k in (0..n).rev() {
            let from_nodes: f64 = (k + 1..n).map(|j| self.c[k * n + j] * v[j]).sum();
            let total = v[k] + self.supply[k] * volts + from_nodes;
            v[k] = if self.pivot[k] > 0.0 { total / self.pivot[k] } else { 0.0 };
        }
        v
    }

    /// Node voltages for one ampere into `node` with both rails at zero: a column of `Y^-1`.
    pub fn column(&self, node: usize) -> Vec<f64> {
        let mut inject = vec![0.0; self.n];
        inject[node] = 1.0;
        self.solve(0.0, &inject)
    }
}
