//! All cores for work that is the same whatever their number: results keep the order of what they
//! are made of, and nothing is summed across them.

use rayon::prelude::*;

/// Each item's result, in the order of the items; computed on all cores.
pub(super) fn each<T: Sync, R: Send>(items: &[T], of: impl Fn(&T) -> R + Sync + Send) -> Vec<R> {
    items.par_iter().map(of).collect()
}
