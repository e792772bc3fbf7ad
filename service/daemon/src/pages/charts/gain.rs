//! The gain curve: how many of the failures are met by visiting only part of the homes.

use hotspell_reliability::backtest::GainPoint;

use super::put;

const LEFT: f64 = 60.0;
const RIGHT: f64 = 420.0;
const TOP: f64 = 20.0;
const BOTTOM: f64 = 300.0;

/// The curve of the model (line), of calendar age (dashes) and of chance (dots).
pub(crate) fn gain_svg(points: &[GainPoint]) -> String {
    let x = |share: f64| LEFT + share * (RIGHT - LEFT);
    let y = |share: f64| BOTTOM - share * (BOTTOM - TOP);
    let path = |of: &dyn Fn(&GainPoint) -> Option<f64>| {
        points
            .iter()
            .filter_map(|point| Some((point.visited, of(point)?)))
            .fold(format!("M{:.1} {:.1}", x(0.0), y(0.0)), |path, (visited, share)| {
                format!("{path} L{:.1} {:.1}", x(visited), y(share))
            })
    };
    let tenth = points.iter().find(|point| point.visited >= 0.1 - 1e-9);
    let said = tenth.map_or_else(String::new, |point| {
        format!(
            ": one tenth of the parts, riskiest first, holds {:.0} % of the failures",
            100.0 * point.model
        )
    });
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 640 350\" role=\"img\" aria-labelledby=\"gain-title\" class=\"gain\">\n\
         <title id=\"gain-title\">Failures met by the share of parts checked{said}.</title>\n"
    );
    axes(&mut svg, x, y);
    let curves = [
        ("model", "the model", path(&|point| Some(point.model))),
        ("calendar", "the model on calendar age", path(&|point| point.calendar_age)),
        ("chance", "in any order", path(&|point| Some(point.visited))),
    ];
    for (row, (class, name, path)) in curves.iter().enumerate() {
        let at = TOP + 20.0 + 24.0 * row as f64;
        put(
            &mut svg,
            format_args!(
                "<path class=\"{class}\" d=\"{path}\"/>\n\
                 <line class=\"{class}\" x1=\"440\" x2=\"476\" y1=\"{0:.1}\" y2=\"{0:.1}\"/>\n\
                 <text class=\"ink\" x=\"484\" y=\"{1:.1}\">{name}</text>\n",
                at,
                at + 5.0,
            ),
        );
    }
    svg.push_str("</svg>\n");
    svg
}

/// Lines and words at every fifth of both shares.
fn axes(svg: &mut String, x: impl Fn(f64) -> f64, y: impl Fn(f64) -> f64) {
    for step in 0..=5 {
        let share = f64::from(step) / 5.0;
        put(
            svg,
            format_args!(
                "<line class=\"grid\" x1=\"{LEFT}\" x2=\"{RIGHT}\" y1=\"{0:.1}\" y2=\"{0:.1}\"/>\n\
                 <text class=\"soft-ink\" text-anchor=\"end\" x=\"{1}\" y=\"{2:.1}\">{3:.0} %</text>\n\
                 <text class=\"soft-ink\" text-anchor=\"middle\" x=\"{4:.1}\" y=\"{5}\">{3:.0} %</text>\n",
                y(share),
                LEFT - 8.0,
                y(share) + 5.0,
                100.0 * share,
                x(share),
                BOTTOM + 20.0,
            ),
        );
    }
    put(
        svg,
        format_args!(
            "<text class=\"ink\" text-anchor=\"middle\" x=\"{:.1}\" y=\"{}\">share of parts checked</text>\n",
            f64::midpoint(LEFT, RIGHT),
            BOTTOM + 42.0,
        ),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_picture_says_in_words_what_the_first_tenth_holds() {
        let point = |visited: f64, model: f64| GainPoint { visited, model, calendar_age: None };
        let svg = gain_svg(&[point(0.1, 0.42), point(0.2, 0.6), point(1.0, 1.0)]);
        assert!(svg.contains("riskiest first, holds 42 % of the failures"), "{svg}");
        assert!(svg.contains("d=\"M60.0 300.0 L96.0 182.4"), "{svg}");
    }
}
