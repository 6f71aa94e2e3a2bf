//! Collects the elements of the map and gives them ids.

use std::collections::HashMap;

use super::curve::Xy;
use crate::relief::Plane;
use crate::world::{Member, MemberKind, Node, Relation, Tags, Way, World};

/// The map being drawn; points are in the country's plane, from its south-west corner.
pub(crate) struct Sheet {
    pub(crate) world: World,
    plane: Plane,
    middle: Xy,
    shared: HashMap<(u64, u64), i64>,
}

pub(crate) fn tags(pairs: &[(&str, &str)]) -> Tags {
    pairs
        .iter()
        .map(|&(k, v)| (k.to_owned(), v.to_owned()))
        .collect()
}

impl Sheet {
    pub(crate) fn new(plane: Plane, middle: Xy) -> Self {
        Self {
            world: World::default(),
            plane,
            middle,
            shared: HashMap::new(),
        }
    }

    pub(crate) fn node(&mut self, at: Xy, tags: Tags) -> i64 {
        let (lat_e7, lon_e7) = self.plane.to_e7(at.0 - self.middle.0, at.1 - self.middle.1);
        let id = self.world.nodes.len() as i64 + 1;
        self.world.nodes.push(Node {
            id,
            lat_e7,
            lon_e7,
            tags,
        });
        id
    }

    /// The node of an untagged shape point, the same for the very same place.
    pub(crate) fn shape(&mut self, at: Xy) -> i64 {
        let key = (at.0.to_bits(), at.1.to_bits());
        if let Some(&id) = self.shared.get(&key) {
            return id;
        }
        let id = self.node(at, Tags::new());
        self.shared.insert(key, id);
        id
    }

    pub(crate) fn way(&mut self, refs: Vec<i64>, tags: Tags) -> i64 {
        let id = self.world.ways.len() as i64 + 1;
        self.world.ways.push(Way { id, refs, tags });
        id
    }

    pub(crate) fn line(&mut self, points: &[Xy], tags: Tags) -> i64 {
        let refs = points.iter().map(|&p| self.shape(p)).collect();
        self.way(refs, tags)
    }

    pub(crate) fn relation(&mut self, members: Vec<Member>, tags: Tags) -> i64 {
        let id = self.world.relations.len() as i64 + 1;
        self.world.relations.push(Relation { id, members, tags });
        id
    }

    /// An area: a closed way, or a multipolygon when it has holes.
    pub(crate) fn area(&mut self, outer: &[Xy], holes: &[Vec<Xy>], tags_of: Tags) {
        if holes.is_empty() {
            self.line(outer, tags_of);
            return;
        }
        let mut members = vec![member(
            MemberKind::Way,
            self.line(outer, Tags::new()),
            "outer",
        )];
        for hole in holes {
            members.push(member(
                MemberKind::Way,
                self.line(hole, Tags::new()),
                "inner",
            ));
        }
        let mut all = tags(&[("type", "multipolygon")]);
        all.extend(tags_of);
        self.relation(members, all);
    }
}

pub(crate) fn member(kind: MemberKind, id: i64, role: &str) -> Member {
    Member {
        kind,
        id,
        role: role.to_owned(),
    }
}
