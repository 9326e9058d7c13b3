//! The least cut through a graph: which of two answers each node gives, so that the sum of all costs is least.
//!
//! In: costs for each node of answering no or yes, costs for pairs of nodes of answering differently. Out: the answers. Never
//! fails. Method: greatest flow by Dinic's algorithm (1970), whose least cut it is (Ford & Fulkerson 1956).

/// A graph between a source (yes) and a sink (no).
pub struct Cut {
    /// First edge of each node, then the next edge of each edge; `NONE` ends the list.
    first: Vec<u32>,
    next: Vec<u32>,
    to: Vec<u32>,
    room: Vec<f32>,
}

const NONE: u32 = u32::MAX;

impl Cut {
    /// `nodes` without any costs yet.
    pub fn new(nodes: usize) -> Cut {
        Cut { first: vec![NONE; nodes + 2], next: Vec::new(), to: Vec::new(), room: Vec::new() }
    }

    fn edge(&mut self, from: usize, to: usize, there: f32, back: f32) {
        for (a, b, room) in [(from, to, there), (to, from, back)] {
            self.next.push(self.first[a]);
            self.first[a] = self.to.len() as u32;
            self.to.push(b as u32);
            self.room.push(room);
        }
    }

    fn source(&self) -> usize {
        self.first.len() - 2
    }

    fn sink(&self) -> usize {
        self.first.len() - 1
    }

    /// What the node's own answers cost, both 0 or more.
    pub fn node(&mut self, node: usize, no: f32, yes: f32) {
        // The cheaper answer is free; what is left is the cost of the other.
        let (no, yes) = (no - no.min(yes), yes - no.min(yes));
        if no > 0.0 {
            self.edge(self.source(), node, no, 0.0);
        }
        if yes > 0.0 {
            self.edge(node, self.sink(), yes, 0.0);
        }
    }

    /// What it costs if the first answers yes and the second no, and the other way round.
    pub fn pair(&mut self, a: usize, b: usize, yes_no: f32, no_yes: f32) {
        if yes_no > 0.0 || no_yes > 0.0 {
            self.edge(a, b, yes_no, no_yes);
        }
    }

    /// True for the nodes that answer yes.
    pub fn solve(mut self) -> Vec<bool> {
        let mut depth = vec![NONE; self.first.len()];
        while self.layers(&mut depth) {
            let mut at = self.first.clone();
            self.fill(&depth, &mut at);
        }
        depth.truncate(self.first.len() - 2);
        depth.into_iter().map(|d| d != NONE).collect()
    }

    /// Steps from the source through edges with room; false once the sink is cut off.
    fn layers(&self, depth: &mut [u32]) -> bool {
        depth.fill(NONE);
        depth[self.source()] = 0;
        let mut queue = std::collections::VecDeque::from([self.source()]);
        while let Some(node) = queue.pop_front() {
            let mut edge = self.first[node];
            while edge != NONE {
                let to = self.to[edge as usize] as usize;
                if self.room[edge as usize] > ROUNDING && depth[to] == NONE {
                    depth[to] = depth[node] + 1;
                    queue.push_back(to);
                }
                edge = self.next[edge as usize];
            }
        }
        depth[self.sink()] != NONE
    }

    /// Fills every way through the layers; `at` remembers which edges of each node are spent.
    fn fill(&mut self, depth: &[u32], at: &mut [u32]) {
        let (source, sink) = (self.source(), self.sink());
        let mut way: Vec<u32> = Vec::new();
        let mut node = source;
        loop {
            if node == sink {
                let flow = way.iter().map(|e| self.room[*e as usize]).fold(f32::MAX, f32::min);
                for e in &way {
                    self.room[*e as usize] -= flow;
                    self.room[(*e ^ 1) as usize] += flow;
                }
                // On from where the first edge became full.
                let full = way.iter().position(|e| self.room[*e as usize] <= ROUNDING).unwrap_or(0);
                node = self.to[(way[full] ^ 1) as usize] as usize;
                way.truncate(full);
            }
            while at[node] != NONE {
                let edge = at[node] as usize;
                let to = self.to[edge] as usize;
                if self.room[edge] > ROUNDING && depth[to] == depth[node] + 1 {
                    break;
                }
                at[node] = self.next[edge];
            }
            if at[node] != NONE {
                way.push(at[node]);
                node = self.to[at[node] as usize] as usize;
            } else {
                // A dead end: back one step, and that edge is spent.
                let Some(edge) = way.pop() else { return };
                node = self.to[(edge ^ 1) as usize] as usize;
                at[node] = self.next[edge as usize];
            }
        }
    }
}

/// Room below this is none.
const ROUNDING: f32 = 1e-6;

#[cfg(test)]
mod tests {
    use super::*;

    /// All 2ⁿ answers tried, on small graphs with seeded costs.
    #[test]
    fn no_other_answers_cost_less() {
        use rand::{Rng, SeedableRng};
        let mut random = rand_pcg::Pcg64Mcg::seed_from_u64(3);
        for _ in 0..40 {
            let n = 9;
            let own: Vec<(f32, f32)> = (0..n).map(|_| (random.random(), random.random())).collect();
            let pairs: Vec<(usize, usize, f32, f32)> = (0..14)
                .map(|_| (random.random_range(0..n), random.random_range(0..n), random.random(), random.random()))
                .filter(|p| p.0 != p.1)
                .collect();
            let cost = |yes: &dyn Fn(usize) -> bool| {
                let nodes: f32 = own.iter().enumerate().map(|(k, c)| if yes(k) { c.1 } else { c.0 }).sum();
                let differ = |p: &(usize, usize, f32, f32)| match (yes(p.0), yes(p.1)) {
                    (true, false) => p.2,
                    (false, true) => p.3,
                    _ => 0.0,
                };
                nodes + pairs.iter().map(differ).sum::<f32>()
            };
            let mut cut = Cut::new(n);
            own.iter().enumerate().for_each(|(k, c)| cut.node(k, c.0, c.1));
            pairs.iter().for_each(|p| cut.pair(p.0, p.1, p.2, p.3));
            let answers = cut.solve();
            let least = (0..1usize << n).map(|m| cost(&|k| m >> k & 1 == 1)).fold(f32::MAX, f32::min);
            assert!((cost(&|k| answers[k]) - least).abs() < 1e-4);
        }
    }
}
