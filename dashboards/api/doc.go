// Package api answers the HTTP part of the outer contract: JSON under /api/v1 that other programs
// read, described by an OpenAPI 3.1 document that is made from the same types.
//
// It keeps nothing itself. Times are RFC 3339 in UTC and are event times; values are in the
// contract's units; what does not exist is null, with its reason where there is one. Errors are
// problem details (RFC 9457) whose text says what to do. Lists page by cursor.
//
// An operation names the right that it takes and refuses a visitor (dewline.VisitorOf) who does not have
// it. Who the visitor is, and whose machines they see, is settled by whoever mounts the API: by what the
// fleet of the overview and the interfaces of [Options] answer.
package api
