//! Sample photos that do not hold the bars yet, with the reason. A case that starts to pass must leave the list.

const KNOWN_WEAK: &[(&str, &str)] = &[
    (
        "07-poncho-heather-covers-mat",
        "no EXIF, so the camera's height is assumed and the correction for thickness with it: scale 0.12 % off",
    ),
    (
        "12-trousers-charcoal-on-black",
        "charcoal cloth on a black mat: 95 % within 0.35 mm, stretches flagged as not seen up to 1.7 mm off",
    ),
    (
        "19-shorts-pale-denim-on-pale-blue",
        "cloth of the mat's own hue and lightness under one lamp: in the shadow beside it the edge lies up to 0.5 mm outside, in one place 1 mm",
    ),
    (
        "20-trousers-heather-on-grey",
        "cloth of the mat's own colour: between a bold line and a diagonal in the cloth's shadow the edge lies up to 0.9 mm off",
    ),
    (
        "22-sleeve-brown-on-ruled-kraft",
        "the lamp's shadow has the cloth's own colour and hue: along it the edge lies 0.1 to 0.2 mm outside, which on a compact \
         piece is 0.12 % of scale",
    ),
    (
        "26-shorts-white-on-inch-paper",
        "white cloth on white paper whose lines are an inch apart: stretches flagged as not seen are up to 2.4 mm off, 95 % within 0.56",
    ),
    (
        "harbour-tee-sleeve",
        "a small, compact piece: a bias of the edge between -0.06 and 0.01 mm from side to side cannot be told from 0.15 % of \
         scale (by its area it is 0.04 % too small)",
    ),
    (
        "31-trousers-with-bare-mat",
        "charcoal cloth on a black mat with a photo of the bare mat: stretches flagged as not seen are up to 2.6 mm off, 95 % within 0.38",
    ),
];

/// Why a photo is known to be weak, if it is.
pub fn reason(name: &str) -> Option<&'static str> {
    KNOWN_WEAK.iter().find(|(known, _)| *known == name).map(|(_, reason)| *reason)
}
