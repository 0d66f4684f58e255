// Package scope narrows what pages and API read from, and what they change, to what the visitor of the
// context may know of and do. What belongs to another owner is not there, and whatever is done is kept
// under the visitor's own name.
//
// Each type implements an interface of the root by asking another that knows everything. It lists
// every method and embeds nothing, so that a method that is added to an interface is not let through
// by itself. It keeps nothing and reads no clock.
package scope
