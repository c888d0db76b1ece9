//! What is on a sheet, in page millimetres: x right, y **down**, origin at the top left.

use kurbo::{Affine, BezPath, Point, Shape, Vec2};
use nalgebra::Vector2;

use super::font;
use crate::pattern_file::Pattern;
use crate::seams::{Fold, InternalLine, Label, Piece};
use crate::units::MatPoint;

/// Room around the pieces, mm.
const MARGIN_MM: f64 = 10.0;
/// Room between pieces, mm.
const BETWEEN_MM: f64 = 20.0;
/// Length of an arrowhead, mm.
const ARROW_MM: f64 = 5.0;

/// What a line is for; writers keep them apart as layers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Layer {
    /// Where to cut.
    Cut,
    /// Where to sew.
    Stitching,
    /// Seams and other lines inside a piece.
    Inside,
    /// Notches, grainline, fold.
    Marks,
    /// Words.
    Words,
    /// Test squares and what the lines mean.
    Key,
    /// What joins tiles.
    Joining,
}

impl Layer {
    /// Every layer, bottom first.
    pub const ALL: [Layer; 7] =
        [Layer::Joining, Layer::Key, Layer::Stitching, Layer::Cut, Layer::Inside, Layer::Marks, Layer::Words];

    /// Its name in files.
    pub fn id(self) -> &'static str {
        match self {
            Layer::Cut => "cut-line",
            Layer::Stitching => "stitching-line",
            Layer::Inside => "inside-lines",
            Layer::Marks => "marks",
            Layer::Words => "words",
            Layer::Key => "key",
            Layer::Joining => "joining",
        }
    }

    /// Its name for people.
    pub fn title(self) -> &'static str {
        match self {
            Layer::Cut => "Cut line",
            Layer::Stitching => "Stitching line",
            Layer::Inside => "Inside seams",
            Layer::Marks => "Notches, grainline, fold",
            Layer::Words => "Words",
            Layer::Key => "Test squares and key",
            Layer::Joining => "Joining marks",
        }
    }
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pen {
    /// Width, mm.
    pub width_mm: f64,
    /// Lengths on and off, mm; empty for an unbroken line.
    pub dashes_mm: &'static [f64],
    /// Red, green, blue, 0 to 255.
    pub rgb: [u8; 3],
}

/// Black.
pub const BLACK: [u8; 3] = [0, 0, 0];
/// Dark enough to print well in grey, and told from black by its dashes.
pub const STITCHING_BLUE: [u8; 3] = [20, 70, 150];
/// For lines that must not be taken for the pattern's.
pub const PALE: [u8; 3] = [150, 150, 150];

/// Pen of the cut line: the boldest unbroken line.
pub const CUT_PEN: Pen = Pen { width_mm: 0.6, dashes_mm: &[], rgb: BLACK };
/// Pen of the stitching line: dashed.
pub const STITCHING_PEN: Pen = Pen { width_mm: 0.4, dashes_mm: &[5.0, 2.5], rgb: STITCHING_BLUE };
/// Pen of the fold: bold, long and short dashes.
pub const FOLD_PEN: Pen = Pen { width_mm: 1.1, dashes_mm: &[14.0, 3.0, 3.0, 3.0], rgb: BLACK };
/// Pen of notches.
pub const NOTCH_PEN: Pen = Pen { width_mm: 0.6, dashes_mm: &[], rgb: BLACK };
/// Pen of lines inside a piece: short dashes.
pub const INSIDE_PEN: Pen = Pen { width_mm: 0.35, dashes_mm: &[1.6, 1.2], rgb: BLACK };
/// Pen of grainline and bracket.
pub const MARK_PEN: Pen = Pen { width_mm: 0.35, dashes_mm: &[], rgb: BLACK };

/// Where a text stands relative to its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// The text begins there.
    Start,
    /// The text is centred there.
    Middle,
}

/// One thing drawn.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// A line.
    Stroke(BezPath, Pen),
    /// A filled shape.
    Fill(BezPath, [u8; 3]),
    /// A line of words on a baseline.
    Text {
        /// Where the baseline starts or has its middle.
        at: Point,
        /// Unit vector along the baseline.
        along: Vec2,
        /// Height of the letters' body (font size), mm.
        size_mm: f64,
        /// How the text stands on its point.
        anchor: Anchor,
        /// Colour.
        rgb: [u8; 3],
        /// The words.
        text: String,
    },
}

/// One thing drawn, with the layers it shows on.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawn {
    /// What it is for.
    pub layer: Layer,
    /// Index of its group (a piece), if it belongs to one.
    pub group: Option<usize>,
    /// The thing.
    pub mark: Mark,
}

impl Drawn {
    /// The same thing elsewhere.
    pub fn moved(mut self, by: Vec2) -> Self {
        match &mut self.mark {
            Mark::Stroke(path, _) | Mark::Fill(path, _) => path.apply_affine(Affine::translate(by)),
            Mark::Text { at, .. } => *at += by,
        }
        self
    }
}

/// A piece's own layer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Group {
    /// Name of the piece.
    pub name: String,
    /// Variation it belongs to; `None` when all need it.
    pub variation: Option<String>,
}

/// Things drawn on a sheet.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drawing {
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// What is drawn.
    pub marks: Vec<Drawn>,
    /// The pieces' own layers.
    pub groups: Vec<Group>,
    /// The group that [`Self::push`] adds to.
    pub group: Option<usize>,
    /// The pieces' cut lines as laid out, for deciding which tiles are blank.
    pub cut_rings: Vec<Vec<MatPoint>>,
}

impl Drawing {
    /// Adds a thing to the group at work.
    pub fn push(&mut self, layer: Layer, mark: Mark) {
        self.marks.push(Drawn { layer, group: self.group, mark });
    }

    /// Adds a line.
    pub fn stroke(&mut self, layer: Layer, path: BezPath, pen: Pen) {
        self.push(layer, Mark::Stroke(path, pen));
    }

    /// Adds a line of words, level, in black.
    pub fn text(&mut self, layer: Layer, at: Point, size_mm: f64, anchor: Anchor, text: impl Into<String>) {
        let mark = Mark::Text { at, along: Vec2::new(1.0, 0.0), size_mm, anchor, rgb: BLACK, text: text.into() };
        self.push(layer, mark);
    }
}

/// Where one piece lies on a page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    /// Index of the piece.
    pub piece: usize,
    /// From the piece's frame (y up) to the page (y down): a turn, a shift and the flip.
    pub page_from_piece: Affine,
    /// Where its label goes on the page, if not to its own place.
    pub label: Option<LabelSpot>,
    /// Where along its fold the words of the fold stand, 0 to 1.
    pub fold_words: f64,
}

/// Where a label's block of lines lies on a page.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LabelSpot {
    /// Its middle.
    pub centre: Point,
    /// Unit vector along its lines.
    pub along: Vec2,
    /// Its size as a share of the label's own.
    pub scale: f64,
}

/// The pieces side by side, each turned (by less than 45°) so that its grain runs straight up or across the page.
pub fn pieces(pattern: &Pattern) -> Drawing {
    placed(pattern, &side_by_side(pattern))
}

/// Places for [`pieces`].
pub fn side_by_side(pattern: &Pattern) -> Vec<Placement> {
    let mut left = MARGIN_MM;
    let mut places = Vec::new();
    for (piece, shape) in pattern.pieces.iter().enumerate() {
        let turned = upright(shape);
        let bounds = ring_path(&shape.cut_line, turned).bounding_box();
        let page_from_piece = Affine::translate((left - bounds.x0, MARGIN_MM - bounds.y0)) * turned;
        places.push(Placement { piece, page_from_piece, label: None, fold_words: 0.5 });
        left += bounds.width() + BETWEEN_MM;
    }
    places
}

/// Pieces drawn where they are placed, on a page large enough with a margin right and below.
pub fn placed(pattern: &Pattern, places: &[Placement]) -> Drawing {
    let groups = pattern.pieces.iter().map(|p| Group { name: p.name.clone(), variation: p.variation.clone() });
    let mut drawing = Drawing { groups: groups.collect(), ..Drawing::default() };
    let mut reach = Vec2::ZERO;
    for place in places {
        let Some(piece) = pattern.pieces.get(place.piece) else { continue };
        drawing.group = Some(place.piece);
        draw_piece(&mut drawing, piece, place);
        let bounds = ring_path(&piece.cut_line, place.page_from_piece).bounding_box();
        reach = Vec2::new(reach.x.max(bounds.x1), reach.y.max(bounds.y1));
    }
    drawing.group = None;
    drawing.width_mm = reach.x + MARGIN_MM;
    drawing.height_mm = reach.y + MARGIN_MM;
    drawing
}

/// From the piece's frame (y up) to an upright page frame (y down): a rigid turn and the flip.
pub fn upright(piece: &Piece) -> Affine {
    let [from, to] = piece.grainline;
    let grain = to - from;
    let angle = if grain.norm() > 0.0 { grain.y.atan2(grain.x) } else { std::f64::consts::FRAC_PI_2 };
    let quarter = std::f64::consts::FRAC_PI_2;
    let off = angle - quarter * (angle / quarter).round();
    Affine::new([1.0, 0.0, 0.0, -1.0, 0.0, 0.0]) * Affine::rotate(-off)
}

fn ring_path(ring: &[MatPoint], place: Affine) -> BezPath {
    let mut path = open_path(ring, place);
    path.close_path();
    path
}

pub(super) fn open_path(line: &[MatPoint], place: Affine) -> BezPath {
    let mut path = BezPath::new();
    for (i, p) in line.iter().enumerate() {
        let at = place * Point::from(*p);
        if i == 0 { path.move_to(at) } else { path.line_to(at) }
    }
    path
}

fn draw_piece(drawing: &mut Drawing, piece: &Piece, placement: &Placement) {
    let place = placement.page_from_piece;
    drawing.stroke(Layer::Cut, ring_path(&piece.cut_line, place), CUT_PEN);
    drawing.cut_rings.push(piece.cut_line.iter().map(|p| MatPoint::from(place * Point::from(*p))).collect());
    drawing.stroke(Layer::Stitching, stitching_path(piece, place), STITCHING_PEN);
    for notch in &piece.notches {
        for stroke in &notch.strokes {
            drawing.stroke(Layer::Marks, open_path(stroke, place), NOTCH_PEN);
        }
    }
    drawing.stroke(Layer::Marks, open_path(&piece.grainline, place), MARK_PEN);
    let [from, to] = piece.grainline;
    arrow(drawing, from - to, from, place);
    arrow(drawing, to - from, to, place);
    if let Some(fold) = &piece.fold {
        draw_fold(drawing, fold, placement);
    }
    if let Some(stretch) = piece.stretch {
        draw_stretch(drawing, stretch, place);
    }
    for inside in &piece.internal {
        draw_inside(drawing, inside, place);
    }
    let spot = placement.label.unwrap_or_else(|| label_spot(&piece.label, place));
    draw_label(drawing, &piece.label, spot);
}

/// A line inside the piece, what it is written along its middle.
fn draw_inside(drawing: &mut Drawing, inside: &InternalLine, place: Affine) {
    const SIZE_MM: f64 = 3.0;
    drawing.stroke(Layer::Inside, open_path(&inside.line, place), INSIDE_PEN);
    let half = inside.line.len() / 2;
    let Some([a, b]) = inside.line.get(half.saturating_sub(1)..=half) else { return };
    let (a, b) = (place * Point::from(*a), place * Point::from(*b));
    let mut along = (b - a).normalize();
    if along.x < -1e-6 || (along.x.abs() <= 1e-6 && along.y > 0.0) {
        along = -along;
    }
    if along.is_finite() {
        let at = a.midpoint(b) + Vec2::new(along.y, -along.x) * (0.5 * SIZE_MM);
        let text = font::writable(&inside.name);
        let words = Mark::Text { at, along, size_mm: SIZE_MM, anchor: Anchor::Middle, rgb: BLACK, text };
        drawing.push(Layer::Words, words);
    }
}

/// The stitching line as its edges' own curves, closed.
fn stitching_path(piece: &Piece, place: Affine) -> BezPath {
    let mut whole = BezPath::new();
    for edge in &piece.edges {
        // Our own writing; a path that cannot be read leaves the polyline to stand in.
        let Ok(path) = BezPath::from_svg(&edge.path) else { return ring_path(&piece.stitching_line, place) };
        let skip = usize::from(!whole.is_empty());
        whole.extend(path.elements().iter().skip(skip).copied());
    }
    whole.close_path();
    whole.apply_affine(place);
    whole
}

/// A filled arrowhead with its tip at `to`.
fn arrow(drawing: &mut Drawing, direction: Vector2<f64>, to: MatPoint, place: Affine) {
    let Some(unit) = direction.try_normalize(1e-9) else { return };
    let side = Vector2::new(-unit.y, unit.x);
    let back = to - unit * ARROW_MM;
    let mut head = open_path(&[to, back + side * (0.3 * ARROW_MM), back - side * (0.3 * ARROW_MM)], place);
    head.close_path();
    drawing.push(Layer::Marks, Mark::Fill(head, BLACK));
}

/// A zigzag between two arrowheads, with its word beside it.
fn draw_stretch(drawing: &mut Drawing, [from, to]: [MatPoint; 2], place: Affine) {
    let along = to - from;
    let Some(unit) = along.try_normalize(1e-9) else { return };
    let side = Vector2::new(-unit.y, unit.x);
    let run = from + unit * ARROW_MM..to - unit * ARROW_MM;
    let mut line = vec![from];
    line.extend((0..=8).map(|k| {
        let swing = if k == 0 || k == 8 { 0.0 } else { 1.6 * if k % 2 == 0 { 1.0 } else { -1.0 } };
        run.start.lerp(run.end, f64::from(k) / 8.0) + side * swing
    }));
    line.push(to);
    drawing.stroke(Layer::Marks, open_path(&line, place), MARK_PEN);
    arrow(drawing, from - to, from, place);
    arrow(drawing, to - from, to, place);
    let along = readable(place * Point::from(to) - place * Point::from(from));
    let at = place * Point::from(from.lerp(to, 0.5)) + Vec2::new(along.y, -along.x) * 2.6;
    let text = "stretch".into();
    drawing.push(Layer::Marks, Mark::Text { at, along, size_mm: 3.2, anchor: Anchor::Middle, rgb: BLACK, text });
}

/// The direction, or its opposite, in which words read from left to right, or up the page.
fn readable(direction: Vec2) -> Vec2 {
    let along = direction.normalize();
    if along.x < -1e-6 || (along.x.abs() <= 1e-6 && along.y > 0.0) { -along } else { along }
}

/// What is written on the fold.
const FOLD_WORDS: &str = "Place on fold";

fn draw_fold(drawing: &mut Drawing, fold: &Fold, placement: &Placement) {
    let place = placement.page_from_piece;
    drawing.stroke(Layer::Marks, open_path(&fold.line, place), FOLD_PEN);
    drawing.stroke(Layer::Marks, open_path(&fold.bracket, place), MARK_PEN);
    if let [a, b, c, d] = fold.bracket.as_slice() {
        arrow(drawing, *a - *b, *a, place);
        arrow(drawing, *d - *c, *d, place);
    }
    if let Some(words) = fold_words(fold, placement) {
        let down = Vec2::new(-words.along.y, words.along.x);
        let (at, along, size_mm) = (words.centre + down * (0.35 * words.size_mm), words.along, words.size_mm);
        let mark = Mark::Text { at, along, size_mm, anchor: Anchor::Middle, rgb: BLACK, text: FOLD_WORDS.into() };
        drawing.push(Layer::Words, mark);
    }
}

/// Where the words of a fold stand on the page: between the bracket and the fold, reading up the page or along it.
pub(super) struct FoldWords {
    /// Their middle.
    pub centre: Point,
    /// Unit vector along them.
    pub along: Vec2,
    /// Height of the letters' body, mm.
    pub size_mm: f64,
    /// Half their width, mm.
    pub half_mm: f64,
    /// Length of the bracket, mm.
    pub bracket_mm: f64,
}

pub(super) fn fold_words(fold: &Fold, placement: &Placement) -> Option<FoldWords> {
    let [a, b, c, d] = fold.bracket.as_slice() else { return None };
    let place = placement.page_from_piece;
    let beside = |p: MatPoint, q: MatPoint| place * Point::from(p.lerp(q, 0.5));
    let centre = beside(*a, *b).lerp(beside(*d, *c), placement.fold_words);
    let along = readable(place * Point::from(*c) - place * Point::from(*b));
    let size_mm = (0.45 * a.distance(*b)).min(5.0);
    let half_mm = 0.5 * font::width_mm(FOLD_WORDS, size_mm);
    Some(FoldWords { centre, along, size_mm, half_mm, bracket_mm: b.distance(*c) })
}

/// A label's own place on the page.
pub fn label_spot(label: &Label, place: Affine) -> LabelSpot {
    let along_end = place * Point::from(label.centre + Vector2::from(label.along));
    let centre = place * Point::from(label.centre);
    let mut along = (along_end - centre).normalize();
    // A piece turned on the page keeps readable words: left to right, or upwards.
    if along.x < -1e-6 || (along.x.abs() <= 1e-6 && along.y > 0.0) {
        along = -along;
    }
    LabelSpot { centre, along, scale: 1.0 }
}

/// Half the width and half the height of a label's words at their own size, mm.
pub fn label_half(label: &Label) -> (f64, f64) {
    let step = label.line_height_mm;
    let widths = label.lines.iter().enumerate().map(|(i, l)| font::width_mm(&font::writable(l), letters(i, step)));
    (0.5 * widths.fold(0.0, f64::max), 0.5 * step * label.lines.len() as f64)
}

/// Size of the letters in a line of a label.
fn letters(line: usize, step_mm: f64) -> f64 {
    if line == 0 { 1.05 * step_mm } else { 0.7 * step_mm }
}

fn draw_label(drawing: &mut Drawing, label: &Label, spot: LabelSpot) {
    let along = spot.along;
    let down = Vec2::new(-along.y, along.x);
    let step = spot.scale * label.line_height_mm;
    let count = label.lines.len() as f64;
    for (i, line) in label.lines.iter().enumerate() {
        let baseline = (i as f64 - 0.5 * count + 0.75) * step;
        let at = spot.centre + down * baseline;
        let (size_mm, text) = (letters(i, step), font::writable(line));
        drawing.push(Layer::Words, Mark::Text { at, along, size_mm, anchor: Anchor::Middle, rgb: BLACK, text });
    }
}
