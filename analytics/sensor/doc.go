// Package sensor says which sensors of a machine cannot be believed, from what they give away
// themselves and from what their neighbours say.
//
// A Watch takes every frame of one system. It gathers evidence in spells of two hours of event time:
// a value that stands still while the machine starts and stops, noise that is in one sensor only, a
// liquid line that is colder than the air which cools it. What is believed at last has persisted;
// one strange spell is a suspicion. At rest the circuit is a thermometer: where both pressures have met
// and stopped moving, they must be the saturation pressure at the coldest coil, which gives the
// offsets of the transducers. How the temperatures stand to one another then is remembered of some days
// above suspicion, so that it can be asked whether a sensor has moved since.
//
// It deliberately says nothing of the machine: what a sensor could have seen of a real fault is left
// alone, and small offsets that only a model of the machine can tell are left to diagnosis.
package sensor
