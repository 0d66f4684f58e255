// Package senml reads and writes the messages of gateways: SenML packs in JSON and CBOR (RFC 8428)
// with the units of RFC 8798 and the UCUM codes that the contract names, the topics they arrive
// under, and the status of a gateway.
//
// A [Decoder] turns one pack into samples in canonical units, events, and refusals with a reason
// each. Both encodings end in the same record, so the rules of the contract stand in one place
// (resolve.go). What a reading costs is one append: nothing is allocated for a record that is
// accepted, and the caller owns the memory.
//
// The package deliberately does not judge a value (an implausible reading is evidence), does not
// know the fleet (a point that is not listed is still decoded), remembers nothing from one pack to
// the next (what was stored before is the store's to know), and reads no clock: the time of receipt
// comes in. Of CBOR it reads what RFC 8428 section 6 allows and no big numbers; of SenML it ignores
// sums, data values and update times.
package senml
