// Package view turns what Dewline knows into what a page or an answer of the API says: the health
// of a system with its reason, the band in which superheat and subcooling are expected, sentences
// about alerts, and the drawing of the waterline.
//
// Every function is pure: facts come in as values, the time among them, and texts, numbers and
// paths come out. The package reads no store and no clock, knows no HTTP and writes no HTML; the
// templates of package dashboards do that. It judges no machine either: what is wrong was settled
// by analytics, and how grave it is stands in the alert.
//
// Everything comes in in the units of the API and goes out in those of a [Reader].
//
// # The waterline
//
// Superheat stands above the saturation line and subcooling hangs below it, in kelvin, to one
// scale. The band in which each is expected is a pale strip; where the trace leaves its strip, the
// way out is filled. [NewGlyph] draws a fortnight of it in 24 pixels, [NewWaterline] hours to years
// of it for the page of a system.
package view
