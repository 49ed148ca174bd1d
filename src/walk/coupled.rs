//! Defects that join two groups of jumpers, and the sequence that shows them.
//!
//! A reading depends on the places of its own group alone, but for these: with a bridge between two
//! headers it depends on both. First the groups are gone through one after the other, which nearly
//! always shows every such defect and changes headers the least. For what is left, the pairs of
//! settings that would show it are looked for, all of them; where there are none, nothing shows it.

use super::weave::{self, Strand, Want, Woven, clusters};
use super::{Course, Plan, Sequence, Step, inside};
use crate::circuit::Group;
use crate::faults::{Fault, Sighting, Views, Witness};
use std::collections::HashSet;

/// Pairs of settings that are gone through for one defect. Where two groups have more, only those
/// with one of the two on its way are.
const MOST_PAIRS: usize = 1 << 16;

/// A defect that reaches beyond one group.
struct Far {
    fault: Fault,
    /// The plans that it touches: one, or two.
    plans: Vec<usize>,
    /// The pairs of stops that show it, once looked for; of one plan, the stop twice.
    shown: Option<Vec<[usize; 2]>>,
}

/// Changes the course so that every defect shows that joins groups and that some pair of settings
/// shows, and adds the readings that takes; false where the course is as good as it was.
pub(super) fn show(
    sequence: &Sequence<'_>,
    plans: &mut [Plan<'_>],
    course: &mut Course,
    steps: &mut Vec<Step>,
    unseen: &[Fault],
) -> bool {
    let mut far = far(sequence, plans);
    let mut new: Vec<usize> = (0..far.len()).filter(|&i| unseen.contains(&far[i].fault)).collect();
    let (first, mut changed) = (course.clone(), false);
    loop {
        look_for(sequence, plans, course, &mut far, &new);
        let missed = |&i: &usize| far[i].can_show() && !far[i].passed(course);
        if !new.iter().any(missed) {
            break;
        }
        // The ways as planned, without the detours of the round before.
        course.ways.clone_from(&first.ways);
        sequence.plan_again(plans, course, &far);
        order(plans, course, &far);
        *steps = sequence.steps(plans, course);
        changed = true;
        // What another order showed may be lost by this one.
        let lost = |f: &Far| {
            let pairs = f.pairs(course);
            f.shown.is_none() && pairs != f.pairs(&first) && {
                let views = sequence.at(plans, &f.plans, &pairs);
                views.sighting(f.fault).is_none()
            }
        };
        new = (0..far.len()).filter(|&i| lost(&far[i])).collect();
    }
    changed | read_more(sequence, steps, course, &far)
}

impl Far {
    /// Whether some setting is known to show it.
    fn can_show(&self) -> bool {
        self.shown.as_ref().is_some_and(|shown| !shown.is_empty())
    }

    /// Its stops after each move of a course, none moved first.
    fn pairs(&self, course: &Course) -> Vec<[usize; 2]> {
        let (a, b) = (self.plans[0], self.plans[self.plans.len() - 1]);
        let mut at = [0, 0];
        let pair = |at: [usize; 2]| [course.ways[a][at[0]], course.ways[b][at[1]]];
        let mut found = vec![pair(at)];
        for &plan in &course.order {
            at[0] += usize::from(plan == a);
            at[1] += usize::from(plan == b);
            found.push(pair(at));
        }
        found
    }

    fn passed(&self, course: &Course) -> bool {
        let shown = self.shown.iter().flatten();
        let shown: HashSet<&[usize; 2]> = shown.collect();
        self.pairs(course).iter().any(|pair| shown.contains(pair))
    }
}

impl<'a> Sequence<'a> {
    /// Views of every channel with two plans at these stops, each pair once.
    fn at(&self, plans: &[Plan<'_>], both: &[usize], pairs: &[[usize; 2]]) -> Views<'a> {
        let mut once = HashSet::new();
        let new = pairs.iter().filter(|pair| once.insert(**pair));
        self.known.of(new.map(|pair| {
            let set = both
                .iter()
                .zip(pair)
                .fold(self.begin.clone(), |s, (&plan, &stop)| plans[plan].set(s, stop));
            (set, self.every.clone())
        }))
    }

    /// Leads each way through a stop that shows what it can, where it does not pass one.
    fn plan_again(&self, plans: &mut [Plan<'_>], course: &mut Course, far: &[Far]) {
        for f in far {
            for (i, &plan) in f.plans.iter().enumerate() {
                let mut stops: Vec<usize> = f.shown.iter().flatten().map(|pair| pair[i]).collect();
                stops.sort_unstable();
                stops.dedup();
                let passed = course.ways[plan].iter().any(|s| stops.binary_search(s).is_ok());
                if stops.is_empty() || passed {
                    continue;
                }
                if let Some((way, leg)) = plans[plan].also(stops, self.all) {
                    course.ways[plan] = way.stops;
                    course.legs[plan] = leg;
                }
            }
        }
    }
}

/// The defects that touch the group of a plan and are not inside one.
fn far(sequence: &Sequence<'_>, plans: &[Plan<'_>]) -> Vec<Far> {
    let board = sequence.board;
    let groups: Vec<Group> = plans.iter().map(Plan::group).collect();
    let of = |fault: Fault| {
        let reach = fault.reach(board);
        let touched = |&p: &usize| reach.touches(board, &groups[p]);
        let plans: Vec<usize> = (0..groups.len()).filter(touched).collect();
        let beyond = match plans[..] {
            [one] => !inside(board, &groups[one], fault),
            [_, _] => true,
            _ => false,
        };
        beyond.then_some(Far { fault, plans, shown: None })
    };
    sequence.faults.iter().copied().filter_map(of).collect()
}

/// Looks for the pairs of settings that show these, those of the same plans together.
fn look_for(
    sequence: &Sequence<'_>,
    plans: &[Plan<'_>],
    course: &Course,
    far: &mut [Far],
    new: &[usize],
) {
    let mut left = new.to_vec();
    while let Some(&first) = left.first() {
        let both = far[first].plans.clone();
        let (now, later): (Vec<usize>, Vec<usize>) =
            left.into_iter().partition(|&i| far[i].plans == both);
        let pairs = pairs(plans, course, &both);
        let views = sequence.at(plans, &both, &pairs);
        let faults: Vec<Fault> = now.iter().map(|&i| far[i].fault).collect();
        for (&i, steps) in now.iter().zip(views.each_seen_in(&faults)) {
            far[i].shown = Some(steps.into_iter().map(|s| pairs[s]).collect());
        }
        left = later;
    }
}

/// The pairs of stops of two plans that may be set; of one plan, each stop twice.
fn pairs(plans: &[Plan<'_>], course: &Course, both: &[usize]) -> Vec<[usize; 2]> {
    let stops = |plan: usize| -> Vec<usize> {
        let allowed = &plans[plan].problem.allowed;
        (0..allowed.len()).filter(|&s| allowed[s]).collect()
    };
    let &[a, b] = both else {
        return both.iter().flat_map(|&plan| stops(plan)).map(|s| [s, s]).collect();
    };
    let product = |x: &[usize], y: &[usize]| -> Vec<[usize; 2]> {
        x.iter().flat_map(|&x| y.iter().map(move |&y| [x, y])).collect()
    };
    let (x, y) = (stops(a), stops(b));
    if x.len() * y.len() <= MOST_PAIRS {
        return product(&x, &y);
    }
    let passed = |plan: usize| {
        let mut way = course.ways[plan].clone();
        way.sort_unstable();
        way.dedup();
        way
    };
    let mut found = product(&passed(a), &y);
    found.extend(product(&x, &passed(b)));
    found.sort_unstable();
    found.dedup();
    found
}

/// The order in which the ways show what they can, with detours for the rest.
fn order(plans: &[Plan<'_>], course: &mut Course, far: &[Far]) {
    let mut wants: Vec<Want> = Vec::new();
    for f in far {
        if let (&[a, b], Some(shown)) = (&f.plans[..], &f.shown)
            && !shown.is_empty()
        {
            let pairs: HashSet<[usize; 2]> = shown.iter().copied().collect();
            // One that is met whenever another is adds nothing.
            let mine = |w: &Want| w.strands == [a, b];
            if !wants.iter().any(|w| mine(w) && w.pairs.is_subset(&pairs)) {
                wants.retain(|w| !(mine(w) && pairs.is_subset(&w.pairs)));
                wants.push(Want { strands: [a, b], pairs });
            }
        }
    }
    let mut first = 0;
    let strands = plans.iter().zip(&course.ways).map(|(plan, way)| {
        let strand = Strand { problem: &plan.problem, first, stops: way.clone() };
        first += plan.problem.radix.len();
        strand
    });
    let mut woven = Woven::weave(strands.collect(), &wants);
    course.more = 0;
    for members in clusters(plans.len(), &wants) {
        if let [a, b] = members[..]
            && [a, b].iter().any(|&p| woven.strands[p].stops.len() > course.ways[p].len())
        {
            course.more += as_one(plans, course, &mut woven, [a, b], &wants);
        }
    }
    course.order = woven.order;
    course.ways = woven.strands.into_iter().map(|s| s.stops).collect();
    for ((plan, way), leg) in plans.iter().zip(&course.ways).zip(&mut course.legs) {
        leg.moves = way.len() - 1;
        leg.headers = plan.problem.cost(way, &plan.power()).1;
    }
}

/// Goes through two groups as one where that takes fewer moves than a detour; the moves by which
/// their common bound is above those of each.
fn as_one(
    plans: &[Plan<'_>],
    course: &Course,
    woven: &mut Woven<'_>,
    both: [usize; 2],
    wants: &[Want],
) -> usize {
    let mine: Vec<Want> = wants.iter().filter(|w| w.strands == both).cloned().collect();
    let strands = both.map(|p| woven.strands[p].clone());
    let power = both.map(|p| plans[p].power());
    let Some(joint) = weave::joint(&strands, &mine, &power) else { return 0 };
    let moves: usize = strands.iter().map(|s| s.stops.len() - 1).sum();
    if joint.order.len() < moves {
        for (&plan, way) in both.iter().zip(&joint.ways) {
            woven.strands[plan].stops.clone_from(way);
        }
        // The two have the order to themselves from the first move on that one of them makes.
        let at = woven.order.iter().position(|p| both.contains(p)).unwrap_or(0);
        woven.order.retain(|p| !both.contains(p));
        woven.order.splice(at..at, joint.order.iter().map(|&turn| both[turn]));
    }
    let apart: usize = both.iter().map(|&p| course.legs[p].least).sum();
    joint.least.saturating_sub(apart)
}

/// Adds readings of the other group where a step shows something by it alone; a reading takes less
/// than a hand does. Whether there were any.
fn read_more(sequence: &Sequence<'_>, steps: &mut [Step], course: &Course, far: &[Far]) -> bool {
    let mut added = false;
    for f in far.iter().filter(|f| f.can_show()) {
        let shown: HashSet<&[usize; 2]> = f.shown.iter().flatten().collect();
        // The step after each move; the last of all comes once more with hands off.
        let pairs = f.pairs(course);
        let at: Vec<usize> = (0..pairs.len()).filter(|&i| shown.contains(&pairs[i])).collect();
        let read = at.iter().map(|&i| (steps[i].setting.clone(), steps[i].reads.clone()));
        let Some(&first) = at.first() else { continue };
        if sequence.known.of(read).sighting(f.fault).is_some() {
            continue;
        }
        let wide = [(steps[first].setting.clone(), sequence.every.clone())];
        let sighting = sequence.known.of(wide).sighting(f.fault);
        if let Some(Sighting { by: Witness::Channel(channel), .. }) = sighting {
            steps[first].reads.push(channel);
            steps[first].reads.sort_unstable();
            added = true;
        }
    }
    added
}
