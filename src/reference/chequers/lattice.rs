//! Numbering the corners of a board.

use std::collections::{BTreeMap, VecDeque};

use nalgebra::Vector2;

use super::response::Corner;
use crate::camera::homography::image_from_mat;
use crate::camera::median;
use crate::units::{ImagePoint, MatPoint};

/// A neighbour may lie this far off the edge direction (cosine): perspective skews, lenses bend.
const ALONG: f64 = 0.92;
/// Two corners a square apart have their diagonals turned by a quarter: |sin| of the difference at least this.
const TURNED: f64 = 0.8;
/// A corner belongs to the lattice if it lies this near to where it is foretold, squares.
const NEAR: f64 = 0.2;
/// Neighbours are at most so many times as far apart as is usual on the board, whatever its tilt. Across cloth a shadow's rim
/// may run from a corner on one side to one on the other.
const LONGEST_LINK: f64 = 1.8;
/// How far from numbered corners the plane map is trusted to find more, squares, at each round.
const REACHES: [i32; 5] = [2, 3, 6, 12, 24];

/// Corners by their numbers: x grows to the right of the photo, y upwards, from the one nearest the middle.
#[derive(Debug, Clone)]
pub(super) struct Lattice {
    at: BTreeMap<(i32, i32), Corner>,
}

impl Lattice {
    /// The largest lattice that the corners form; `None` if none has nine. Two corners are neighbours only
    /// where `joined` sees the edge between them: over a garment they look like neighbours and are not.
    pub(super) fn build(corners: &[Corner], joined: impl Fn(ImagePoint, ImagePoint) -> bool) -> Option<Self> {
        let links = links(corners, joined);
        let seed = largest_component(corners, &links)?;
        if seed.len() < 9 {
            return None;
        }
        let mut numbered = seed;
        for reach in REACHES {
            extend(&mut numbered, corners, reach);
        }
        prune(&mut numbered, corners);
        let at: BTreeMap<(i32, i32), Corner> =
            numbered.into_iter().filter_map(|(cell, i)| Some((cell, *corners.get(i)?))).collect();
        (!at.is_empty()).then(|| Self { at }.upright())
    }

    /// Keeps the corners whose four quarters (a third of a square out, in order round) satisfy `right`.
    pub(super) fn keep(&mut self, right: impl Fn([ImagePoint; 4]) -> bool) {
        let bad: Vec<(i32, i32)> =
            self.at.keys().filter(|c| !self.quarters(**c).is_some_and(&right)).copied().collect();
        for cell in bad {
            self.at.remove(&cell);
        }
    }

    fn quarters(&self, (i, j): (i32, i32)) -> Option<[ImagePoint; 4]> {
        let here = self.at.get(&(i, j))?.at;
        let way = |di: i32, dj: i32| Some(self.at.get(&(i + di, j + dj))?.at - here);
        let either = |a: Option<Vector2<f64>>, b: Option<Vector2<f64>>| match (a, b) {
            (Some(a), Some(b)) => Some((a - b) * 0.5),
            (a, b) => a.or(b.map(|b| -b)),
        };
        let x = either(way(1, 0), way(-1, 0))? / 3.0;
        let y = either(way(0, 1), way(0, -1))? / 3.0;
        Some([here + x + y, here - x + y, here - x - y, here + x - y])
    }

    /// Number of corners.
    pub(super) fn len(&self) -> usize {
        self.at.len()
    }

    /// Numbers of lines (x, y) with at least two corners.
    pub(super) fn lines(&self) -> [usize; 2] {
        let count = |pick: fn(&(i32, i32)) -> i32| {
            let mut per: BTreeMap<i32, usize> = BTreeMap::new();
            self.at.keys().for_each(|c| *per.entry(pick(c)).or_default() += 1);
            per.values().filter(|&&n| n >= 2).count()
        };
        [count(|c| c.0), count(|c| c.1)]
    }

    /// Corners with their numbers.
    pub(super) fn corners(&self) -> impl Iterator<Item = ((i32, i32), ImagePoint)> + '_ {
        self.at.iter().map(|(cell, corner)| (*cell, corner.at))
    }

    /// Whole squares (named by their lower left corner) with their middles.
    pub(super) fn squares(&self) -> impl Iterator<Item = ((i32, i32), ImagePoint)> + '_ {
        self.at.iter().filter_map(|(&(i, j), a)| {
            let [b, c, d] = [(i + 1, j), (i, j + 1), (i + 1, j + 1)].map(|cell| self.at.get(&cell));
            // Diagonals meet in the middle of the square in every view; their midpoints nearly do.
            Some(((i, j), a.at.lerp(d?.at, 0.5).lerp(b?.at.lerp(c?.at, 0.5), 0.5)))
        })
    }

    /// Should the square whose lower left corner this is be light, going by that corner's light diagonal?
    pub(super) fn light_at(&self, cell: (i32, i32)) -> bool {
        let Some((corner, opposite)) = self.at.get(&cell).zip(self.at.get(&(cell.0 + 1, cell.1 + 1))) else {
            return false;
        };
        let way = opposite.at - corner.at;
        let light = Vector2::new(corner.light.cos(), corner.light.sin());
        light.dot(&way).abs() > light.perp(&way).abs()
    }

    /// Least distance across the squares at a corner, px: foreshortened squares are narrow one way.
    pub(super) fn narrowest_px(&self, (i, j): (i32, i32)) -> Option<f64> {
        let here = self.at.get(&(i, j))?.at;
        let ways = |cells: [(i32, i32); 2]| cells.map(|c| self.at.get(&c).map(|n| n.at - here));
        let xs = ways([(i + 1, j), (i - 1, j)]);
        let ys = ways([(i, j + 1), (i, j - 1)]);
        let across = |a: &Vector2<f64>, b: &Vector2<f64>| a.perp(b).abs() / a.norm().max(b.norm());
        let pairs = xs.iter().flatten().flat_map(|x| ys.iter().flatten().map(move |y| across(x, y)));
        let least = pairs.fold(f64::INFINITY, f64::min);
        least.is_finite().then_some(least)
    }

    /// Turned and shifted so that x points right, y up, and (0, 0) lies nearest the middle of the corners.
    fn upright(self) -> Self {
        let [right, up] = self.steps();
        let turned = |(i, j): (i32, i32)| {
            // Quarter turns of the numbering, then a mirror if it is left-handed (y grows up, image y down).
            let (mut cell, mut x, mut y) = ((i, j), right, up);
            for _ in 0..4 {
                if x.x > 0.0 && x.x.abs() >= x.y.abs() {
                    break;
                }
                (cell, x, y) = ((cell.1, -cell.0), y, -x);
            }
            if y.y > 0.0 { (cell.0, -cell.1) } else { cell }
        };
        let at: BTreeMap<(i32, i32), Corner> = self.at.iter().map(|(&cell, &corner)| (turned(cell), corner)).collect();
        let n = at.len().max(1) as f64;
        let middle = at.values().fold(Vector2::zeros(), |m, c| m + Vector2::new(c.at.x, c.at.y) / n);
        let off = |c: &Corner| (Vector2::new(c.at.x, c.at.y) - middle).norm();
        let origin = at.iter().min_by(|a, b| off(a.1).total_cmp(&off(b.1))).map_or((0, 0), |(cell, _)| *cell);
        Self { at: at.into_iter().map(|((i, j), c)| ((i - origin.0, j - origin.1), c)).collect() }
    }

    /// Mean step of x and of y, px.
    fn steps(&self) -> [Vector2<f64>; 2] {
        let mean = |step: (i32, i32)| {
            let pairs = self.at.iter().filter_map(|(c, a)| Some(self.at.get(&(c.0 + step.0, c.1 + step.1))?.at - a.at));
            pairs.fold(Vector2::zeros(), |sum, way| sum + way)
        };
        [mean((1, 0)), mean((0, 1))]
    }
}

/// Neighbours of a corner: forwards and backwards along its first and its second edge.
type Links = [Option<usize>; 4];

/// Each corner's neighbours, kept where both choose each other and are about a square apart.
fn links(corners: &[Corner], joined: impl Fn(ImagePoint, ImagePoint) -> bool) -> Vec<Links> {
    let chosen: Vec<Links> = (0..corners.len()).map(|i| choose(corners, i)).collect();
    let back = |from: usize, to: usize| chosen.get(to).is_some_and(|l| l.contains(&Some(from)));
    let real = |i: usize, n: usize| back(i, n) && joined(corners[i].at, corners[n].at);
    let links: Vec<Links> = chosen.iter().enumerate().map(|(i, l)| l.map(|n| n.filter(|&n| real(i, n)))).collect();
    let length = |i: usize, n: usize| corners[i].at.distance(corners[n].at);
    let ends = links.iter().enumerate().flat_map(|(i, l)| l.iter().flatten().map(move |&n| (i, n)));
    let longest = LONGEST_LINK * median(&mut ends.map(|(i, n)| length(i, n)).collect::<Vec<f64>>());
    links.iter().enumerate().map(|(i, l)| l.map(|n| n.filter(|&n| length(i, n) < longest))).collect()
}

fn choose(corners: &[Corner], from: usize) -> Links {
    let mut links = [None; 4];
    let Some(here) = corners.get(from) else { return links };
    let mut nearest = [f64::INFINITY; 4];
    let edges = here.edges();
    for (n, other) in corners.iter().enumerate() {
        let way = other.at - here.at;
        let distance = way.norm();
        if n == from || distance >= nearest.iter().copied().fold(0.0, f64::max) {
            continue;
        }
        if (other.light - here.light).sin().abs() < TURNED || other.strength * 5 < here.strength {
            continue;
        }
        for (e, edge) in edges.iter().enumerate() {
            let along = edge.dot(&way) / distance;
            let slot = 2 * e + usize::from(along < 0.0);
            if along.abs() > ALONG && distance < nearest[slot] {
                nearest[slot] = distance;
                links[slot] = Some(n);
            }
        }
    }
    links
}

type Numbered = BTreeMap<(i32, i32), usize>;

fn largest_component(corners: &[Corner], links: &[Links]) -> Option<Numbered> {
    let mut seen = vec![false; corners.len()];
    let mut best: Option<Numbered> = None;
    for start in 0..corners.len() {
        if seen[start] {
            continue;
        }
        let component = walk(corners, links, start, &mut seen);
        if best.as_ref().is_none_or(|b| component.len() > b.len()) {
            best = Some(component);
        }
    }
    best
}

/// Numbers everything that hangs together with a corner; contradictions are left out.
fn walk(corners: &[Corner], links: &[Links], start: usize, seen: &mut [bool]) -> Numbered {
    let mut numbered = Numbered::new();
    let [x, y] = corners[start].edges();
    let mut queue = VecDeque::from([(start, (0, 0), x, y)]);
    numbered.insert((0, 0), start);
    seen[start] = true;
    while let Some((at, (i, j), x, y)) = queue.pop_front() {
        for next in links[at].iter().flatten().copied() {
            if seen[next] {
                continue;
            }
            let way = corners[next].at - corners[at].at;
            let (a, b) = (way.dot(&x), way.dot(&y));
            let cell = if a.abs() > b.abs() { (i + a.signum() as i32, j) } else { (i, j + b.signum() as i32) };
            if numbered.contains_key(&cell) {
                continue;
            }
            let [e, f] = corners[next].edges();
            let (e, f) = if e.dot(&x).abs() >= f.dot(&x).abs() { (e, f) } else { (f, e) };
            numbered.insert(cell, next);
            seen[next] = true;
            queue.push_back((next, cell, e * e.dot(&x).signum(), f * f.dot(&y).signum()));
        }
    }
    numbered
}

/// Finds further corners where nearby numbered ones, through a plane map, foretell them.
fn extend(numbered: &mut Numbered, corners: &[Corner], reach: i32) {
    let mut taken = vec![false; corners.len()];
    numbered.values().for_each(|&i| taken[i] = true);
    let typical = numbered.values().map(|&i| corners[i].strength).sum::<i32>() / numbered.len().max(1) as i32;
    let free: Vec<usize> = (0..corners.len()).filter(|&i| !taken[i] && corners[i].strength * 6 > typical).collect();
    let Some(map) = global_map(numbered, corners) else { return };
    let mut added = Vec::new();
    for i in free {
        let p = map * nalgebra::Vector3::new(corners[i].at.x, corners[i].at.y, 1.0);
        let (x, y) = (p.x / p.z, p.y / p.z);
        let cell = (x.round() as i32, y.round() as i32);
        let near = (x - x.round()).abs().max((y - y.round()).abs()) < 0.35;
        let within = || numbered.keys().any(|c| (c.0 - cell.0).abs().max((c.1 - cell.1).abs()) <= reach);
        if !near || !within() || numbered.contains_key(&cell) {
            continue;
        }
        let Some((foretold, turn)) = local_forecast(numbered, corners, cell) else { continue };
        let step = (foretold.1.norm() + foretold.2.norm()) * 0.5;
        let as_turned = (corners[i].light - turn).cos().abs() > TURNED;
        if foretold.0.distance(corners[i].at) < NEAR * step && as_turned {
            added.push((cell, i));
        }
    }
    for (cell, i) in added {
        numbered.entry(cell).or_insert(i);
    }
    prune(numbered, corners);
}

/// Squares from pixels over all numbered corners.
fn global_map(numbered: &Numbered, corners: &[Corner]) -> Option<nalgebra::Matrix3<f64>> {
    let pairs: Vec<(MatPoint, ImagePoint)> = numbered.iter().map(|(c, &i)| pair(*c, corners[i].at)).collect();
    image_from_mat(&pairs)?.try_inverse()
}

fn pair(cell: (i32, i32), at: ImagePoint) -> (MatPoint, ImagePoint) {
    (MatPoint::new(f64::from(cell.0), f64::from(cell.1)), at)
}

type Forecast = ((ImagePoint, Vector2<f64>, Vector2<f64>), f64);

/// Where a corner should be, with the steps of a square there, and which way its light diagonal lies:
/// from a plane map through the nearest two dozen, so that the lens hardly matters.
fn local_forecast(numbered: &Numbered, corners: &[Corner], cell: (i32, i32)) -> Option<Forecast> {
    let away = |c: &(i32, i32)| (c.0 - cell.0).pow(2) + (c.1 - cell.1).pow(2);
    let mut nearest: Vec<(&(i32, i32), &usize)> = numbered.iter().collect();
    nearest.sort_by_key(|(c, _)| away(c));
    nearest.truncate(24);
    let pairs: Vec<(MatPoint, ImagePoint)> = nearest.iter().map(|(c, i)| pair(**c, corners[**i].at)).collect();
    let map = image_from_mat(&pairs)?;
    let at = |x: f64, y: f64| {
        let p = map * nalgebra::Vector3::new(x, y, 1.0);
        ImagePoint::new(p.x / p.z, p.y / p.z)
    };
    let (x, y) = (f64::from(cell.0), f64::from(cell.1));
    let (here, right, up) = (at(x, y), at(x + 0.5, y) - at(x - 0.5, y), at(x, y + 0.5) - at(x, y - 0.5));
    let &(known, &i) = nearest.first()?;
    let odd = (known.0 + known.1 - cell.0 - cell.1).rem_euclid(2) == 1;
    let turn = corners[i].light + if odd { std::f64::consts::FRAC_PI_2 } else { 0.0 };
    here.is_finite().then_some(((here, right, up), turn))
}

/// Takes out, again and again, corners with fewer than two neighbours, or out of line with those either side.
fn prune(numbered: &mut Numbered, corners: &[Corner]) {
    loop {
        let neighbours = |c: &(i32, i32)| [(c.0 + 1, c.1), (c.0 - 1, c.1), (c.0, c.1 + 1), (c.0, c.1 - 1)];
        let bad: Vec<(i32, i32)> = numbered
            .keys()
            .filter(|c| {
                let at = neighbours(c).map(|n| numbered.get(&n).map(|&i| corners[i].at));
                let few = at.iter().flatten().count() < 2;
                few || !between(numbered.get(c).map(|&i| corners[i].at), at[0], at[1])
                    || !between(numbered.get(c).map(|&i| corners[i].at), at[2], at[3])
            })
            .copied()
            .collect();
        if bad.is_empty() {
            return;
        }
        bad.iter().for_each(|c| {
            numbered.remove(c);
        });
    }
}

/// Where both neighbours are there, the corner lies near the middle between them.
fn between(here: Option<ImagePoint>, a: Option<ImagePoint>, b: Option<ImagePoint>) -> bool {
    match (here, a, b) {
        (Some(here), Some(a), Some(b)) => here.distance(a.lerp(b, 0.5)) < 0.15 * a.distance(b),
        _ => true,
    }
}
