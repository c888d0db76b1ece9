//! The page's own files, kept in the program.

/// A file of the page: its kind and its bytes.
pub fn file(path: &str) -> Option<(&'static str, &'static [u8])> {
    const HTML: &str = "text/html; charset=utf-8";
    const CSS: &str = "text/css; charset=utf-8";
    const JS: &str = "text/javascript; charset=utf-8";
    macro_rules! page {
        ($name:literal) => {
            include_bytes!(concat!("../../page/", $name))
        };
    }
    Some(match path {
        "/" => (HTML, page!("index.html")),
        "/page/style.css" => (CSS, page!("style.css")),
        "/page/main.js" => (JS, page!("main.js")),
        "/page/ask.js" => (JS, page!("ask.js")),
        "/page/words.js" => (JS, page!("words.js")),
        "/page/photos.js" => (JS, page!("photos.js")),
        "/page/board.js" => (JS, page!("board.js")),
        "/page/review.js" => (JS, page!("review.js")),
        "/page/tools.js" => (JS, page!("tools.js")),
        "/page/pattern.js" => (JS, page!("pattern.js")),
        "/page/sheets.js" => (JS, page!("sheets.js")),
        "/page/icon.svg" => ("image/svg+xml", page!("icon.svg")),
        _ => return None,
    })
}
