// Package api answers the HTTP part of the outer contract: JSON under /api/v1 that other programs
// read, described by an OpenAPI 3.1 document that is made from the same types.
//
// It reads and never writes. Times are RFC 3339 in UTC and are event times; values are in the
// contract's units; what does not exist is null, with its reason where there is one. Errors are
// problem details (RFC 9457) whose text says what to do. Lists page by cursor.
//
// Who may ask is not settled here: whoever mounts the API decides that before a request arrives.
package api
