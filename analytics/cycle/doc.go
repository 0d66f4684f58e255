// Package cycle turns the readings of one moment into what they say about the refrigeration cycle:
// absolute pressures, dew and bubble temperatures, superheat, subcooling, each with its standard
// uncertainty or the reason why it does not exist.
//
// A Machine is prepared once per system from its enrolment. Evaluating a Frame neither allocates
// nor keeps anything: state over time belongs to the engine.
package cycle
