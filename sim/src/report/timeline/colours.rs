//! The colours of the picture, and how far they stay apart for eyes that see fewer.
//!
//! Two of the Okabe-Ito palette and others, in tones that have contrast against white. The test below simulates what people
//! without one kind of cone see (matrices of Machado, Oliveira and Fernandes, "A Physiologically-based Model for
//! Simulation of Color Vision Deficiency", 2009, severity 1; from memory) and measures how far any two are apart in CIE
//! L*a*b*. Shapes and words carry the same meaning as the colours.

/// A position's curve.
pub(super) const POSITION: &str = "#0072b2";
/// A velocity's curve.
pub(super) const VELOCITY: &str = "#e69f00";
/// Any other curve.
pub(super) const OTHER: &str = "#6b6b6b";
/// A command.
pub(super) const COMMAND: &str = "#3a414c";
/// A divergence.
pub(super) const DIVERGENCE: &str = "#c0390b";
/// Text and axes.
pub(super) const TEXT: &str = "#2d323a";
/// Lines of the grid.
pub(super) const GRID: &str = "#e1e4e9";

#[cfg(test)]
mod tests {
    use super::*;

    type Rgb = [f64; 3];

    fn linear(colour: &str) -> Rgb {
        let channel = |place: usize| {
            let value = f64::from(u8::from_str_radix(&colour[place..place + 2], 16).unwrap()) / 255.0;
            if value <= 0.04045 { value / 12.92 } else { libm::pow((value + 0.055) / 1.055, 2.4) }
        };
        [channel(1), channel(3), channel(5)]
    }

    fn product(matrix: &[Rgb; 3], colour: Rgb) -> Rgb {
        matrix.map(|row| (0..3).map(|place| row[place] * colour[place]).sum::<f64>())
    }

    /// CIE 1976 L*a*b* of linear sRGB, white D65.
    fn lab(colour: Rgb) -> Rgb {
        const XYZ: [Rgb; 3] = [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]];
        let [x, y, z] = product(&XYZ, colour.map(|channel| channel.clamp(0.0, 1.0)));
        let f = |share: f64| if share > 0.008_856 { libm::cbrt(share) } else { 7.787 * share + 16.0 / 116.0 };
        let (x, y, z) = (f(x / 0.9505), f(y), f(z / 1.089));
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    fn distance(one: Rgb, other: Rgb) -> f64 {
        (0..3).map(|place| (one[place] - other[place]) * (one[place] - other[place])).sum::<f64>().sqrt()
    }

    const SIGHTS: [(&str, [Rgb; 3]); 4] = [
        ("all cones", [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]),
        (
            "protanopia",
            [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
        ),
        (
            "deuteranopia",
            [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
        ),
        (
            "tritanopia",
            [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
        ),
    ];

    /// Those that lie beside one another in the picture.
    #[test]
    fn colours_stay_apart_for_every_kind_of_sight() {
        let pairs = [
            (POSITION, VELOCITY),
            (POSITION, OTHER),
            (VELOCITY, OTHER),
            (COMMAND, DIVERGENCE),
            (POSITION, DIVERGENCE),
            (VELOCITY, DIVERGENCE),
            (COMMAND, VELOCITY),
        ];
        for (name, matrix) in SIGHTS {
            for (one, other) in pairs {
                let seen = [one, other].map(|colour| lab(product(&matrix, linear(colour))));
                let apart = distance(seen[0], seen[1]);
                // Ten can be told side by side (common practice); twice that is asked for.
                assert!(apart >= 20.0, "{name}: {one} and {other} are {apart:.1} apart");
            }
        }
    }

    /// WCAG 2.1: 3 to 1 for what is drawn, 4.5 to 1 for text.
    #[test]
    fn marks_and_text_have_contrast_against_white() {
        let luminance = |colour: &str| {
            let [red, green, blue] = linear(colour);
            0.2126 * red + 0.7152 * green + 0.0722 * blue
        };
        let contrast = |colour: &str| 1.05 / (luminance(colour) + 0.05);
        for (colour, least) in [(TEXT, 4.5), (COMMAND, 4.5), (DIVERGENCE, 4.5), (POSITION, 3.0), (OTHER, 3.0)] {
            assert!(contrast(colour) >= least, "{colour}: {:.2}", contrast(colour));
        }
    }
}
