//! The turn graph put in order and contracted, so that any weights can be put in within
//! milliseconds.

use std::sync::atomic::{AtomicU64, Ordering};

use region::Columns;
use shortest_paths::order::edge_order;
use shortest_paths::{Contraction, GraphError};
use thiserror::Error;

/// Why there is no hierarchy.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ContractError {
    /// `go_on` said no.
    #[error("putting the roads in order was cancelled")]
    Cancelled,
    /// The turns are none, or too many.
    #[error("the roads cannot be put in order: {0}; import fewer files at once")]
    Graph(#[from] GraphError),
}

/// Fills the columns of the hierarchy from those of the turns. The junctions are cut, and the
/// states of a cut road come on top, both directions and copies together. The same for any number
/// of `threads`. `go_on` is told the pieces in order so far. O(turns · log turns).
pub fn contract(
    columns: &mut Columns,
    threads: usize,
    go_on: &(dyn Fn(u64) -> bool + Sync),
) -> Result<(), ContractError> {
    let pieces = columns.piece_from.len() as u32;
    let done = AtomicU64::new(0);
    let step = |more: usize| go_on(done.fetch_add(more as u64, Ordering::Relaxed) + more as u64);
    let order = edge_order(
        &columns.node_lon_e7,
        &columns.node_lat_e7,
        &columns.piece_from,
        &columns.piece_to,
        threads,
        &step,
    )
    .ok_or(ContractError::Cancelled)?;
    let mut place = vec![0u32; pieces as usize];
    for (at, &piece) in order.iter().enumerate() {
        place[piece as usize] = at as u32;
    }
    let mut states: Vec<u32> = (0..columns.state_edge.len() as u32).collect();
    states.sort_by_key(|&s| (place[columns.state_edge[s as usize] as usize / 2], s));
    let made = Contraction::new(&columns.turn_first_out, &columns.turn_head, &states)?;
    columns.turn_slot = made.slot;
    columns.state_rank = made.rank;
    columns.rank_state = made.order;
    columns.rank_parent = made.parent;
    let [up, down] = made.half;
    (columns.up_first_out, columns.up_head) = (up.first_out, up.head);
    (columns.down_first_out, columns.down_head) = (down.first_out, down.head);
    (columns.rank_first_low, columns.rank_low) = (made.first_low, made.low);
    columns.rank_third = made.third;
    Ok(())
}
