// Package storetest holds the suite that every relational store passes, whatever its database. It
// checks what the root's interfaces promise and nothing of how a store keeps it.
package storetest
