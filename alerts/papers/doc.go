// Package papers makes what leaves the house of what is recorded: the closing pack of a service
// call, the commissioning report of a machine and the report of an owner's month as PDF, service calls as an iCalendar feed, as CSV and as
// JSON.
//
// A paper is a pure function of its facts: [ClosingFacts], [CommissioningFacts], [OwnerFacts] and their PDF methods
// need no store, and the same facts at the same time make the same bytes, so that a paper can be
// compared, signed or kept by its digest. A [Desk] gathers the facts. Papers are in black: what the
// screens say with colour is said by hatching and in words, for who prints or copies them. Pages are
// A4, or Letter for readers of US units; text is in a face that covers Latin, Greek and Cyrillic.
//
// A feed is opened by a secret token that is shown once and kept as a digest; revoking it is for good.
//
// It decides nothing: verdicts, leak rates and bands come from where they are computed, with their
// reasons, and a paper that lacks something says what.
package papers
