"""A road graph of its own, made with pyosmium and solved with scipy, sharing no code with Lacet.

States are directed segments between neighbouring way nodes; arcs are allowed turns, so that turn
restrictions over one node hold exactly. Roads are those a motorcycle may ride without further
question: no private, destination-only or unverified ones (tracks need a positive motor tag).
"""

import numpy as np
import osmium
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components, dijkstra

ROADS = {
    "motorway", "motorway_link", "trunk", "trunk_link", "primary", "primary_link", "secondary",
    "secondary_link", "tertiary", "tertiary_link", "unclassified", "residential", "living_street",
    "service", "road",
}
OPEN = {"yes", "permissive", "designated", "official"}
STOPPERS = {"bollard", "block", "cycle_barrier", "jersey_barrier", "log", "chain", "debris",
            "motorcycle_barrier", "kissing_gate", "stile", "turnstile", "full-height_turnstile",
            "kerb", "wall", "fence", "planter"}
PASSABLE = {"gate", "lift_gate", "swing_gate", "toll_booth", "border_control", "cattle_grid",
            "entrance", "height_restrictor", "sally_port", "hampshire_gate", "sliding_gate"}
MODES = ("motorcycle", "motor_vehicle", "vehicle", "access")


def access(tags, direction=None):
    """The deciding access value: the most specific tag wins (OSM wiki, Key:access)."""
    for mode in MODES:
        if direction and f"{mode}:{direction}" in tags:
            return tags[f"{mode}:{direction}"]
        if mode in tags:
            return tags[mode]
    return None


def is_open(value, default):
    if value is None:
        return default
    return any(v.strip() in OPEN for v in value.split(";"))


class Reader(osmium.SimpleHandler):
    def __init__(self):
        super().__init__()
        self.ways, self.restrictions, self.blocked = [], [], set()

    def node(self, n):
        barrier = n.tags.get("barrier")
        if barrier is None:
            return
        value = access(dict(n.tags))
        if barrier in STOPPERS:
            blocked = not is_open(value, False)
        elif barrier in PASSABLE:
            # A gate that is said to be locked is no way for a stranger.
            blocked = not is_open(value, n.tags.get("locked") != "yes")
        elif barrier == "yes":
            # Something unnamed stands in the road: closed until a tag says who may pass.
            blocked = not is_open(value, False)
        else:
            blocked = value is not None and not is_open(value, True)
        if blocked:
            self.blocked.add(n.id)

    def way(self, w):
        tags = dict(w.tags)
        kind = tags.get("highway")
        ferry = tags.get("route") == "ferry" and kind is None
        if tags.get("area") == "yes" or not (kind in ROADS or kind == "track" or ferry):
            return
        default = kind != "track"
        if ferry:
            # A ferry takes motors unless it says that it does not.
            default = tags.get("motorcar", "yes") in OPEN
        forward = is_open(access(tags, "forward"), default)
        backward = is_open(access(tags, "backward"), default)
        oneway = tags.get("oneway:motorcycle") or tags.get("oneway")
        if oneway is None:
            implied = kind in ("motorway", "motorway_link")
            implied = implied and kind == "motorway" or tags.get("junction") in ("roundabout", "circular")
            oneway = "yes" if implied else "no"
        if oneway in ("yes", "true", "1"):
            backward = False
        elif oneway in ("-1", "reverse"):
            forward = False
        elif oneway in ("reversible", "alternating"):
            forward = backward = False
        nodes = [(n.ref, n.lon, n.lat) for n in w.nodes if n.location.valid()]
        if len(nodes) >= 2 and (forward or backward):
            self.ways.append((w.id, nodes, forward, backward))

    def relation(self, r):
        tags = dict(r.tags)
        if tags.get("type") != "restriction":
            return
        value = tags.get("restriction:motorcycle") or tags.get("restriction:motor_vehicle")
        value = value or tags.get("restriction")
        exempt = {v.strip() for v in tags.get("except", "").split(";")}
        if not value or exempt & {"motorcycle", "motor_vehicle", "vehicle"}:
            return
        members = [(m.type, m.ref, m.role) for m in r.members]
        vias = [m for m in members if m[2] == "via"]
        if len(vias) == 1 and vias[0][0] == "n":
            froms = [m[1] for m in members if m[2] == "from"]
            tos = [m[1] for m in members if m[2] == "to"]
            self.restrictions.append((value, froms, vias[0][1], tos))



class Graph:
    """`nodes`: id -> (lon, lat); `distance(s)`: metres from node s to every node reachable."""

    def __init__(self, path, seed, wanted):
        reader = Reader()
        reader.apply_file(str(path), locations=True)
        self.nodes = {}
        heads, tails, lengths, ways = [], [], [], []
        out = {}
        for way, nodes, forward, backward in reader.ways:
            self.nodes.update((ref, (lon, lat)) for ref, lon, lat in nodes)
            for (a, *pa), (b, *pb) in zip(nodes, nodes[1:]):
                if a == b:
                    continue
                d = geodesic_m(pa, pb)
                for u, v, allowed in ((a, b, forward), (b, a, backward)):
                    if allowed:
                        out.setdefault(u, []).append(len(heads))
                        tails.append(u), heads.append(v), lengths.append(d), ways.append(way)
        self.segments = len(heads)
        bans = self._bans(reader.restrictions, tails, heads, ways, out)

        rng = np.random.default_rng(seed)
        rows, cols, costs = [], [], []
        for s in range(self.segments):
            at = heads[s]
            back = [t for t in out.get(at, ()) if heads[t] == tails[s]]
            onward = [t for t in out.get(at, ()) if heads[t] != tails[s]]
            # Turning round only where the road ends; a barrier ends it too.
            if at in reader.blocked:
                onward = []
            for t in onward or back:
                if (s, t) not in bans:
                    rows.append(s), cols.append(t), costs.append(lengths[t])
        self.heads = np.array(heads)
        turns = csr_matrix((np.ones(len(rows)), (rows, cols)), shape=(self.segments,) * 2)
        _, label = connected_components(turns, directed=True, connection="strong")
        main = np.flatnonzero(label == np.bincount(label).argmax())
        candidates = sorted({heads[s] for s in main} - reader.blocked)
        self.pairs = [tuple(int(v) for v in rng.choice(candidates, 2, replace=False)) for _ in range(wanted)]

        # One more state per source: the rider leaves a stop either way.
        self.source_state = {}
        for source, _ in self.pairs:
            if source not in self.source_state:
                state = self.segments + len(self.source_state)
                self.source_state[source] = state
                for t in out[source]:
                    rows.append(state), cols.append(t), costs.append(lengths[t])
        size = self.segments + len(self.source_state)
        # scipy takes an explicit zero for "no arc": a millimetre keeps doubled nodes connected.
        self.matrix = csr_matrix((np.maximum(costs, 1e-3), (rows, cols)), shape=(size, size))

    @staticmethod
    def _bans(restrictions, tails, heads, ways, out):
        into = {}
        for s, v in enumerate(heads):
            into.setdefault(v, []).append(s)
        bans = set()
        for value, froms, via, tos in restrictions:
            arriving = [s for s in into.get(via, ()) if ways[s] in froms]
            leaving = [t for t in out.get(via, ()) if ways[t] in tos]
            if not arriving or not leaving:
                continue
            for s in arriving:
                for t in out.get(via, ()):
                    if value.startswith("no_") and t in leaving:
                        bans.add((s, t))
                    if value.startswith("only_") and t not in leaving:
                        bans.add((s, t))
        return bans

    def shortest_m(self, source, target):
        distances = dijkstra(self.matrix, indices=self.source_state[source])[: self.segments]
        arriving = distances[self.heads == target]
        return float(arriving.min()) if len(arriving) else float("inf")


def geodesic_m(a, b):
    """Vincenty's inverse formula on WGS 84 (Survey Review 23:88-93, 1975)."""
    from math import atan, atan2, cos, radians, sin, sqrt, tan
    a_m, f = 6378137.0, 1 / 298.257223563
    b_m = a_m * (1 - f)
    lon1, lat1, lon2, lat2 = map(radians, (a[0], a[1], b[0], b[1]))
    u1, u2 = atan((1 - f) * tan(lat1)), atan((1 - f) * tan(lat2))
    su1, cu1, su2, cu2 = sin(u1), cos(u1), sin(u2), cos(u2)
    big_l = lam = lon2 - lon1
    for _ in range(50):
        sl, cl = sin(lam), cos(lam)
        ss = sqrt((cu2 * sl) ** 2 + (cu1 * su2 - su1 * cu2 * cl) ** 2)
        if ss == 0:
            return 0.0
        cs = su1 * su2 + cu1 * cu2 * cl
        sigma = atan2(ss, cs)
        sa = cu1 * cu2 * sl / ss
        c2a = 1 - sa * sa
        c2m = cs - 2 * su1 * su2 / c2a if c2a else 0.0
        c = f / 16 * c2a * (4 + f * (4 - 3 * c2a))
        last, lam = lam, big_l + (1 - c) * f * sa * (
            sigma + c * ss * (c2m + c * cs * (2 * c2m * c2m - 1)))
        if abs(lam - last) < 1e-12:
            break
    usq = c2a * (a_m**2 - b_m**2) / b_m**2
    big_a = 1 + usq / 16384 * (4096 + usq * (-768 + usq * (320 - 175 * usq)))
    big_b = usq / 1024 * (256 + usq * (-128 + usq * (74 - 47 * usq)))
    ds = big_b * ss * (c2m + big_b / 4 * (cs * (2 * c2m**2 - 1)
         - big_b / 6 * c2m * (4 * ss * ss - 3) * (4 * c2m * c2m - 3)))
    return b_m * big_a * (sigma - ds)
