// Package analytics turns readings into findings: what is wrong with which machine, since when, why, and how long it
// has.
//
// The Engine takes samples of any systems in batches of any split. Each system has a watermark in its own event time:
// readings may come out of order within an allowance, are put in order, and are then evaluated once, frame by frame.
// What the engine says depends on the times and values of readings and on events alone, never on a clock or on
// arrival, so a replay says the same. It keeps a bounded state per system, which Checkpoint writes and Resume takes
// back; readings newer than the saved state are then offered again from the store.
//
// # Layers of judgement
//
// Each layer stands above the next: what a lower one learns never silences a higher one.
//
//   - Sensors (package sensor). A value that cannot be is not used. A sensor that is surely wrong hides the symptoms
//     that rest on it; one that is suspected of values that mean nothing holds back the limits, the learning and the
//     beliefs that would follow from them. A doubt is a finding of its own, never one about the machine.
//   - Limits (acute.go). Liquid at the compressor, the discharge line, the head, a freezing coil: beyond the expanded
//     uncertainty, for a stated time of steady running. Spaces, safety devices, refrigerant detectors and starts
//     need no steady running, and neither do runs that a head far over the air ends within minutes (cutout.go). A hunting
//     valve is judged in the run as it goes (hunt.go).
//   - The absolute frame (baseline.Prior): what is published or usual for a machine of this kind and metering
//     device, and its enrolment, under the conditions of the moment, with how far machines differ. It never learns, so
//     a machine that is faulty from its first day stays faulty.
//   - The learned frame (baseline.Model): the machine's own healthy weeks, regressed on the driving conditions. It
//     takes windows a day after they were, and none while the machine is blamed for anything, liquid comes back, a chart
//     signals, the absolute frame objects or a sensor means nothing. A service event begins it anew.
//   - Charts: a CUSUM by window for what comes at once, an EWMA and a CUSUM by day for what creeps, each designed to
//     a stated run length. A signal alone is no finding; it tells that something changed, and since when.
//   - What nobody measures: moist and dry weeks where the air's humidity is not, another speed where the stage
//     is not, and a head that fans hold, move the symptoms along known directions; they are part of what a residual
//     may come from.
//   - Weighing (package diagnose): signatures of faults and of pairs of faults, the error of each sensor along its
//     exact direction, and none, by Bayes' rule in both frames. A wet condenser, and a mean that holds standing
//     too, are none. The pressure of the standing machine against the coldest air speaks for or against air in the circuit,
//     and what a sensor reads while it stands, against what it read beside the others on days above suspicion, for or
//     against that sensor: most of what is wrong with a machine does not show then, and a wrong sensor does.
//   - Belief (belief.go): smoothed odds with two thresholds, so that one strange window, a wet afternoon or a door is
//     no fault, and a fault does not flap. Severity follows from what the symptoms amount to, and from how long
//     and how surely. Where a wrong sensor may explain as much and nothing hurts yet, or an alert about that sensor is
//     open, it waits.
//   - Episodes (episode.go): one per underlying cause, from its first finding to its end by the contract's rule. Further
//     conditions join it. Its causes are the mean over its windows; a change of the leading one is told, a wobble is
//     not. Once a day it is told anew if how far out the machine is, or the day of harm, has changed, and once a week anyway.
//     What is worth a look though nothing is blamed, such as a valve that hunts, is an episode of its own: a fault that comes with
//     it turns it into its own, and one that comes later is told beside it.
//
// The unit of judgement is the window: half an hour of steady running, or what a run gave. Steady means that neither
// saturation temperature has a trend, after a guard for the start; swings are left in, because they are a fault. Where no
// point tells whether the compressor runs, its pressures do (operate.go): a start lifts the head, and when it stops they
// run toward one another, though a shut valve may keep them apart for hours.
//
// Of readings that are means, stated or as rare and regular as means are, those count in which the machine ran all the
// time (whole.go): by its power or current, and less surely by its head. A gateway may ask one sensor after another, or send a
// value only when it has changed: a reading stands for its point for two and a half of the times in which that is usually
// read, the longer ones counting most, and the circuit is judged when the last sensor has answered.
//
// The windows of the last day and a half are judged together by their median, or the last few where a machine that runs
// in short bursts gives no more, and the newest two by themselves. Windows that follow one another share their weather
// and load: those of two hours say no more than one.
//
// A machine that nobody knows yet can be compared with nothing but others. A possible fault of one is worth a watch
// then, in which none may lead, and which is over once the machine has been learned and no fault is likelier than none.
//
// A forecast starts from the Theil-Sen trend of daily residuals to the limit that hurts; without one, it is nil. What the
// straight line says is drawn toward how long such faults usually take, and its interval is as wide as those
// differ. What returns soon after its end takes a day more each time to be over, until somebody visits. A line of the
// diary says for each system and day what was believed, and why.
//
// # What it deliberately does not do
//
// In heating, and in a mode that is not known, it holds superheat of a valve, or of a fixed bore where the discharge line
// is wet too, discharge and head against the limits, and expects and learns nothing; in defrost it judges nothing of the
// circuit. What a heat pump does that reports no mode is known where its readings give it away (cycle.Features.Mode): by the
// air that it supplies, or by a coil far colder than air in which nobody heats. It takes subcooling behind a receiver
// for no measure of charge; that none is left there, it does weigh. It says nothing of hunting where the sampling cannot
// show it: in means, or slower than two minutes. It learns from no faulty machine and from no other machine. It does no
// I/O, starts no goroutine, and decides nothing about people: alerts are made of its findings elsewhere.
//
// # Sources
//
// Limits and slopes name theirs where they stand; most are common practice. The slopes of the prior are fits to the
// no-fault tests of NISTIR 7350; target superheats are makers' tables (package expect); signatures are those of the
// physical model in thermo/plant, corrected toward published tests (diagnose/signature.go). Charts follow Lucas and
// Saccucci (1990) and Hawkins (1993); the virtual charge sensor Li and Braun (2009). How well all of this
// does, on fleets that it was not tuned on, is in SCORE.md.
package analytics
