//! The turn graph put in order and contracted, so that any weights can be put in within
//! milliseconds.

use region::Columns;
use shortest_paths::order::edge_order;
use shortest_paths::{Contraction, GraphError, OwnedHalf};

/// Fills the columns of the hierarchy from those of the turns. The junctions are cut, and the
/// states of a cut road come on top, both directions and copies together. The same for any number
/// of `threads`. O(turns · log turns).
pub fn contract(columns: &mut Columns, threads: usize) -> Result<(), GraphError> {
    let pieces = columns.piece_from.len() as u32;
    let order = edge_order(
        &columns.node_lon_e7,
        &columns.node_lat_e7,
        &columns.piece_from,
        &columns.piece_to,
        threads,
    );
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
    let OwnedHalf {
        first_out,
        head,
        first_in,
        in_arc,
        in_tail,
        in_next,
    } = up;
    (columns.up_first_out, columns.up_head) = (first_out, head);
    (columns.up_first_in, columns.up_in_arc) = (first_in, in_arc);
    (columns.up_in_tail, columns.up_in_next) = (in_tail, in_next);
    let OwnedHalf {
        first_out,
        head,
        first_in,
        in_arc,
        in_tail,
        in_next,
    } = down;
    (columns.down_first_out, columns.down_head) = (first_out, head);
    (columns.down_first_in, columns.down_in_arc) = (first_in, in_arc);
    (columns.down_in_tail, columns.down_in_next) = (in_tail, in_next);
    Ok(())
}
