// Package alarm judges the alarm rules of a vehicle file in event time: a
// condition that has held long enough raises an alarm, another one ends it.
//
// A rule whose inputs are missing can neither raise nor clear; it says so.
package alarm
