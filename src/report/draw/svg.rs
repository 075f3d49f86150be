//! A [`Picture`] as SVG: groups that say how they move when a reader looks closer, their elements by `plotters`.

use super::picture::{Moves, Picture, Shape};
use super::render::{Backend, draw};
use plotters::backend::SVGBackend;
use plotters::drawing::IntoDrawingArea;

/// SVG coordinates are whole numbers: quarters of a pixel keep curves smooth.
const SVG_SCALE: f64 = 4.0;
/// Finer where a reader may look closer, since what is rounded is then stretched.
const CLOSER_SCALE: f64 = 40.0;
/// The picture as an SVG element for a page: `title` is its accessible name, `id` is unique on the page.
pub fn svg(picture: &Picture, id: &str, title: &str) -> String {
    let is_axis = |shape: &Shape| {
        matches!(
            shape,
            Shape::Open {
                moves: Moves::Axis(_),
                ..
            }
        )
    };
    let scale = match picture.shapes.iter().any(is_axis) {
        true => CLOSER_SCALE,
        false => SVG_SCALE,
    };
    let size = (
        (picture.width * scale) as u32,
        (picture.height * scale) as u32,
    );
    let paper = Shape::Area {
        points: vec![
            (0.0, 0.0),
            (picture.width, 0.0),
            (picture.width, picture.height),
            (0.0, picture.height),
        ],
        ink: super::ink::PAPER,
    };
    let body = run(&[paper], size, scale) + &elements(&picture.shapes, size, scale);
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {} {}\" width=\"{:.0}\" height=\"{:.0}\" \
         role=\"img\" aria-labelledby=\"{id}\" stroke-linejoin=\"round\" stroke-linecap=\"butt\"><title id=\"{id}\">{}</title>{body}</svg>\n",
        size.0,
        size.1,
        picture.width,
        picture.height,
        escape(title)
    )
}

/// The elements of all shapes, in groups as they move and are dashed.
fn elements(shapes: &[Shape], size: (u32, u32), scale: f64) -> String {
    let mut body = String::new();
    let mut rest = shapes;
    while let Some(first) = rest.first() {
        let kind = dash_of(first);
        let alike =
            |s: &&Shape| !matches!(s, Shape::Open { .. } | Shape::Close) && dash_of(s) == kind;
        let length = rest.iter().take_while(alike).count();
        match first {
            Shape::Open { moves, shown } => {
                body += &group(moves, *shown, scale);
                rest = rest.get(1..).unwrap_or_default();
            }
            Shape::Close => {
                body += "</g>\n";
                rest = rest.get(1..).unwrap_or_default();
            }
            _ => {
                let (these, others) = rest.split_at(length.max(1));
                let drawn = run(these, size, scale);
                body += &match kind {
                    None => drawn,
                    Some((ink, gap)) => format!(
                        "<g stroke-dasharray=\"{:.0} {:.0}\">{drawn}</g>\n",
                        ink * scale,
                        gap * scale
                    ),
                };
                rest = others;
            }
        }
    }
    body
}

fn dash_of(shape: &Shape) -> Option<(f64, f64)> {
    match shape {
        Shape::Line { dash, .. } => *dash,
        _ => None,
    }
}

/// Elements for a run of shapes that are dashed alike.
fn run(shapes: &[Shape], size: (u32, u32), scale: f64) -> String {
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, size).into_drawing_area();
        let backend = Backend {
            scale,
            line: super::render::SVG_LINE,
            baseline: 0.76,
            is_svg: true,
        };
        // A string cannot fail to be written, and the font is there.
        let _ = draw(shapes.iter(), &root, &backend).and_then(|()| root.present().map_err(drop));
    }
    let body = text.split_once('>').map_or("", |(_, rest)| rest);
    let body = body.trim_end().strip_suffix("</svg>").unwrap_or(body);
    body.replace(" opacity=\"1\"", "")
}

/// The opening tag of a group, with what the page's script needs to move it.
fn group(moves: &Moves, shown: bool, scale: f64) -> String {
    let px = |values: &[f64]| {
        let values: Vec<String> = values.iter().map(|v| format!("{:.0}", v * scale)).collect();
        values.join(" ")
    };
    let (kind, figures) = match moves {
        Moves::Axis(bounds) => ("axis", format!("{} {scale}", px(bounds))),
        Moves::Stretch => ("stretch", String::new()),
        Moves::Curve(channel, [low, high, bottom, top]) => (
            "curve",
            format!("{channel} {low} {high} {}", px(&[*bottom, *top])),
        ),
        Moves::Hatch(bounds, slope, pitch) => {
            ("hatch", format!("{} {slope} {}", px(bounds), px(&[*pitch])))
        }
        Moves::Mark(x) => ("mark", px(&[*x])),
        Moves::Name {
            at,
            width,
            bottom,
            rows,
        } => ("name", format!("{} {rows}", px(&[*at, *width, *bottom]))),
        Moves::Label {
            from,
            to,
            left,
            width,
            fits,
            lane,
        } => (
            "label",
            format!(
                "{} {}",
                px(&[*from, *to, *left, *width, *lane]),
                u8::from(*fits)
            ),
        ),
    };
    let hidden = if shown { "" } else { " display=\"none\"" };
    format!("<g data-moves=\"{kind}\" data-by=\"{figures}\"{hidden}>\n")
}

/// Text made safe between tags and in attributes.
fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '<' => safe += "&lt;",
            '>' => safe += "&gt;",
            '&' => safe += "&amp;",
            '"' => safe += "&quot;",
            '\'' => safe += "&#39;",
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::super::picture::Anchor;
    use super::*;

    #[test]
    fn text_of_a_log_is_escaped_in_an_svg() {
        let mut picture = Picture::new(100.0);
        picture.height = 20.0;
        picture.text(
            (0.0, 10.0),
            10.0,
            Anchor::Start,
            super::super::ink::TEXT,
            "<script>'\"&",
        );
        let text = svg(&picture, "a", "<b>\"");
        assert!(text.contains("&lt;script&gt;&apos;&quot;&amp;"), "{text}");
        assert!(text.contains("<title id=\"a\">&lt;b&gt;&quot;</title>"));
        assert!(!text.contains("<script"));
    }
}
