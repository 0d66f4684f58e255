// Package storetest is the suite that every store of readings passes. A store's test calls Run with
// a function that opens it; what is peculiar to one database is tested beside that database.
package storetest
