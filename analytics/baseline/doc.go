// Package baseline says what is to be expected of a healthy machine: first from what is usual for its
// kind and from its enrolment (the absolute frame), then also from its own healthy weeks (the learned
// frame), each under the conditions of the moment.
//
// A Window is half an hour of steady running, or what a run gave of it. A Model collects windows of a
// machine that is believed to be healthy, and makes a robust regression of each symptom on the
// driving conditions from them, whose prior is the absolute frame. The caller decides what is
// healthy; the absolute frame never learns, so that a machine faulty from its first day stays faulty
// however long it runs.
package baseline
