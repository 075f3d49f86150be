//! Draws a [`Picture`] with `plotters`, and makes a PNG of it, on machines with no font installed too.

use super::ink::Ink;
use super::picture::{Anchor, Label, Picture, Shape};
use plotters::backend::BitMapBackend;
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, IntoDrawingArea};
use plotters::element::{Circle, PathElement, Polygon, Text};
use plotters::prelude::DrawingBackend;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{
    Color, FontDesc, FontFamily, FontStyle, ShapeStyle, TextStyle, register_font,
};
use std::sync::OnceLock;

/// PNG is drawn at four times its CSS size, then halved, which smooths edges.
const PNG_SCALE: f64 = 4.0;
/// No PNG edge is longer than this many pixels before halving, however many channels there are.
const LONGEST_EDGE: f64 = 16_000.0;

/// `plotters` sizes type by the line, not by the em: 1.24 em in SVG; ascent + descent of the embedded font in bitmaps.
pub(super) const SVG_LINE: f64 = 1.24;
const BITMAP_LINE: f64 = 1.164;

fn font_is_there() -> bool {
    static REGISTERED: OnceLock<bool> = OnceLock::new();
    *REGISTERED.get_or_init(|| {
        let bytes = include_bytes!("../font/DejaVuSans-subset.ttf");
        register_font("sans-serif", FontStyle::Normal, bytes).is_ok()
    })
}

/// Width of a text in pixels at a type size, by the embedded font.
pub fn text_width(text: &str, em: f64) -> f64 {
    // Measured large, because the answer is in whole pixels.
    let guess = text.chars().count() as f64 * 0.6 * em;
    if !font_is_there() {
        return guess;
    }
    let font = FontDesc::new(
        FontFamily::SansSerif,
        100.0 * BITMAP_LINE,
        FontStyle::Normal,
    );
    font.box_size(text)
        .map_or(guess, |(w, _)| f64::from(w) / 100.0 * em)
}

/// The picture as PNG, at twice its CSS size (less where it would be very long). Empty if it cannot be encoded.
pub fn png(picture: &Picture) -> Vec<u8> {
    let scale = PNG_SCALE.min(LONGEST_EDGE / picture.width.max(picture.height).max(1.0));
    let (w, h) = (
        (picture.width * scale) as u32 & !1,
        (picture.height * scale) as u32 & !1,
    );
    let mut pixels = vec![255_u8; w as usize * h as usize * 3];
    {
        let root = BitMapBackend::with_buffer(&mut pixels, (w, h)).into_drawing_area();
        let backend = Backend {
            scale,
            line: BITMAP_LINE,
            baseline: 0.5 * BITMAP_LINE,
            is_svg: false,
        };
        let _ = root.fill(&super::ink::PAPER);
        let _ = draw(picture.shown(), &root, &backend).and_then(|()| root.present().map_err(drop));
    }
    encode(&halve(&pixels, w as usize), w / 2, h / 2).unwrap_or_default()
}

/// Each 2 × 2 pixels become one: their mean.
fn halve(pixels: &[u8], width: usize) -> Vec<u8> {
    let row = width * 3;
    let mut half = Vec::with_capacity(pixels.len() / 4);
    for pair in pixels.chunks_exact(2 * row) {
        let (upper, lower) = pair.split_at(row);
        for (u, l) in upper.chunks_exact(6).zip(lower.chunks_exact(6)) {
            if let (&[a, b, c, d, e, f], &[g, h, i, j, k, m]) = (u, l) {
                let mean = |p: [u8; 4]| (p.iter().map(|&x| u16::from(x)).sum::<u16>() / 4) as u8;
                half.extend([mean([a, d, g, j]), mean([b, e, h, k]), mean([c, f, i, m])]);
            }
        }
    }
    half
}

fn encode(pixels: &[u8], width: u32, height: u32) -> Result<Vec<u8>, png::EncodingError> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.write_header()?.write_image_data(pixels)?;
    Ok(bytes)
}

/// What differs between the backends: pixels per CSS pixel, how type is sized, and where a baseline lies below
/// the top anchor in em, and whether dashes and round corners are left to whoever shows it.
pub(super) struct Backend {
    pub(super) scale: f64,
    pub(super) line: f64,
    pub(super) baseline: f64,
    pub(super) is_svg: bool,
}

/// The backend refused to draw; there is nothing a caller could do.
pub(super) type Drawn = Result<(), ()>;

pub(super) fn draw<'a, DB: DrawingBackend>(
    shapes: impl Iterator<Item = &'a Shape>,
    root: &DrawingArea<DB, Shift>,
    to: &Backend,
) -> Drawn {
    font_is_there();
    for shape in shapes {
        match shape {
            Shape::Line {
                points,
                ink,
                width,
                dash: None,
            } => stroke(root, to, points, *ink, *width)?,
            Shape::Line {
                points,
                ink,
                width,
                dash: Some(_),
            } if to.is_svg => stroke(root, to, points, *ink, *width)?,
            Shape::Line {
                points,
                ink,
                width,
                dash: Some(dash),
            } => {
                for piece in dashes(points, *dash) {
                    stroke(root, to, &piece, *ink, *width)?;
                }
            }
            Shape::Area { points, ink } => {
                let points: Vec<_> = points.iter().map(|&p| to.at(p)).collect();
                root.draw(&Polygon::new(points, ink.filled()))
                    .map_err(drop)?;
            }
            Shape::Dot { at, radius, ink } => {
                let radius = (radius * to.scale).round().max(1.0) as i32;
                root.draw(&Circle::new(to.at(*at), radius, ink.filled()))
                    .map_err(drop)?;
            }
            Shape::Text(label) => text(root, to, label)?,
            Shape::Open { .. } | Shape::Close => {}
        }
    }
    Ok(())
}

impl Backend {
    fn at(&self, (x, y): (f64, f64)) -> (i32, i32) {
        (
            (x * self.scale).round() as i32,
            (y * self.scale).round() as i32,
        )
    }
}

fn stroke<DB: DrawingBackend>(
    root: &DrawingArea<DB, Shift>,
    to: &Backend,
    points: &[(f64, f64)],
    ink: Ink,
    width: f64,
) -> Drawn {
    let points: Vec<_> = points.iter().map(|&p| to.at(p)).collect();
    let width = (width * to.scale).round().max(1.0) as u32;
    if !to.is_svg {
        // A sharp corner would be drawn far beyond its point: an extreme that was never measured.
        for pair in points.windows(2) {
            let style = ShapeStyle {
                color: ink,
                filled: false,
                stroke_width: width,
            };
            root.draw(&PathElement::new(pair.to_vec(), style))
                .map_err(drop)?;
        }
        let inner = points.len().saturating_sub(2);
        for &corner in points.iter().skip(1).take(inner) {
            root.draw(&Circle::new(corner, (width / 2) as i32, ink.filled()))
                .map_err(drop)?;
        }
        return Ok(());
    }
    let style = ShapeStyle {
        color: ink,
        filled: false,
        stroke_width: width,
    };
    root.draw(&PathElement::new(points, style)).map_err(drop)
}

fn text<DB: DrawingBackend>(root: &DrawingArea<DB, Shift>, to: &Backend, label: &Label) -> Drawn {
    let style = if label.bold {
        FontStyle::Bold
    } else {
        FontStyle::Normal
    };
    let font = FontDesc::new(FontFamily::SansSerif, label.em * to.line * to.scale, style);
    let h_pos = match label.anchor {
        Anchor::Start => HPos::Left,
        Anchor::Middle => HPos::Center,
        Anchor::End => HPos::Right,
    };
    let style = TextStyle::from(font)
        .pos(Pos::new(h_pos, VPos::Top))
        .color(&label.ink);
    let top = label.y - to.baseline * label.em;
    root.draw(&Text::new(label.text.clone(), to.at((label.x, top)), style))
        .map_err(drop)
}

/// Cuts a line into the inked pieces of a dash pattern that runs on around corners.
fn dashes(points: &[(f64, f64)], (ink, gap): (f64, f64)) -> Vec<Vec<(f64, f64)>> {
    let mut pieces = Vec::new();
    let mut piece: Vec<(f64, f64)> = points.first().copied().into_iter().collect();
    let (mut inked, mut left) = (true, ink);
    for pair in points.windows(2) {
        let &[mut from, to] = pair else { continue };
        let mut rest = f64::hypot(to.0 - from.0, to.1 - from.1);
        while left < rest {
            let share = left / rest;
            from = (
                from.0 + (to.0 - from.0) * share,
                from.1 + (to.1 - from.1) * share,
            );
            rest -= left;
            if inked {
                piece.push(from);
                pieces.push(std::mem::take(&mut piece));
            } else {
                piece = vec![from];
            }
            inked = !inked;
            left = if inked { ink } else { gap };
        }
        left -= rest;
        if inked {
            piece.push(to);
        }
    }
    if 1 < piece.len() {
        pieces.push(piece);
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dash_pattern_runs_on_around_a_corner() {
        let pieces = dashes(&[(0.0, 0.0), (5.0, 0.0), (5.0, 5.0)], (4.0, 2.0));
        assert_eq!(
            pieces,
            [vec![(0.0, 0.0), (4.0, 0.0)], vec![(5.0, 1.0), (5.0, 5.0)]]
        );
    }

    #[test]
    fn text_is_measured_by_the_embedded_font() {
        // DejaVu Sans: a digit is 1303 of 2048 units wide.
        assert!((text_width("0000", 12.0) - 4.0 * 12.0 * 1303.0 / 2048.0).abs() < 0.3);
    }
}
