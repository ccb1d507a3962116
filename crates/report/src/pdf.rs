//! Paints pages as PDF.

use std::path::Path;
use std::sync::Arc;

use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};
use krilla_svg::{SurfaceExt, SvgSettings};

use crate::ReportError;
use crate::ink::Ink;
use crate::letters::{BOLD, REGULAR, Weight};
use crate::page::{Area, HEIGHT, Mark, Page, WIDTH};

struct Brush {
    regular: Font,
    bold: Font,
    pictures: usvg::Options<'static>,
}

/// The document's bytes; `out` is only named in errors.
pub fn paint(pages: &[Page], title: &str, out: &Path) -> Result<Vec<u8>, ReportError> {
    let brush = Brush::new()?;
    let mut document = krilla::Document::new();
    document.set_metadata(
        Metadata::new().title(title.to_owned()).creator("Cabinwright".to_owned()).language("en".to_owned()),
    );
    for (i, page) in pages.iter().enumerate() {
        let failed = |why: String| ReportError::Page { path: out.to_owned(), page: i + 1, why };
        let settings = PageSettings::from_wh(WIDTH, HEIGHT).ok_or_else(|| failed("no page size".into()))?;
        let mut sheet = document.start_page_with(settings);
        let mut surface = sheet.surface();
        for mark in &page.marks {
            brush.paint(mark, &mut surface).map_err(failed)?;
        }
        surface.finish();
        sheet.finish();
    }
    let whole =
        |error| ReportError::Page { path: out.to_owned(), page: pages.len(), why: format!("{error:?}") };
    document.finish().map_err(whole)
}

impl Brush {
    fn new() -> Result<Self, ReportError> {
        let font = |name, bytes: &'static [u8]| Font::new(bytes.into(), 0).ok_or(ReportError::Typeface(name));
        // Only what is built in, so that a report looks the same wherever it is written.
        let mut faces = usvg::fontdb::Database::new();
        faces.load_font_data(REGULAR.to_vec());
        faces.load_font_data(BOLD.to_vec());
        Ok(Self {
            regular: font("B612 Regular", REGULAR)?,
            bold: font("B612 Bold", BOLD)?,
            pictures: usvg::Options { fontdb: Arc::new(faces), ..usvg::Options::default() },
        })
    }

    fn paint(&self, mark: &Mark, surface: &mut Surface<'_>) -> Result<(), String> {
        match mark {
            Mark::Words { x, y, size, weight, ink, words } => {
                let font = match weight {
                    Weight::Regular => &self.regular,
                    Weight::Bold => &self.bold,
                };
                surface.set_fill(Some(fill(*ink)));
                surface.draw_text(
                    Point::from_xy(*x, *y),
                    font.clone(),
                    *size,
                    words,
                    false,
                    TextDirection::LeftToRight,
                );
            }
            Mark::Fill(Area { x, y, w, h }, ink) => {
                let mut path = PathBuilder::new();
                path.push_rect(Rect::from_xywh(*x, *y, *w, *h).ok_or("an empty area")?);
                surface.set_fill(Some(fill(*ink)));
                surface.draw_path(&path.finish().ok_or("an empty area")?);
            }
            Mark::Picture(area, svg) => {
                let tree = usvg::Tree::from_str(svg, &self.pictures).map_err(|error| error.to_string())?;
                let size = Size::from_wh(area.w, area.h).ok_or("an empty picture")?;
                surface.push_transform(&Transform::from_translate(area.x, area.y));
                let drawn = surface.draw_svg(&tree, size, SvgSettings::default());
                surface.pop();
                drawn.ok_or("a picture that cannot be drawn")?;
            }
        }
        Ok(())
    }
}

fn fill(Ink(red, green, blue): Ink) -> Fill {
    Fill {
        paint: krilla::color::rgb::Color::new(red, green, blue).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::NonZero,
    }
}
