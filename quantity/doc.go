// Package quantity gives physical quantities with SI dimensions: read from text such as "12 V", "250 mA" or "0.5 V/us",
// checked, calculated with, and printed with an engineering prefix.
//
// Wherever a person writes a value it has a unit. The unit is what makes a mistake visible: "10 m" is refused because a
// bare prefix is no unit, and amperes can never be handed to something that wants volts. Case matters in prefixes:
// "1 MW" and "1 mW" differ by nine decades.
//
// A [Quantity] is a number in SI base units with its [Dimension]. A [Span] is a closed range such as "9..16 V", with
// either end open. [Volt], [Amp] and the rest are plain numbers for package borders where the dimension is fixed.
package quantity
