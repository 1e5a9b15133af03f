// Package program is the contract between the program of an ECU and the unit's file: the
// names that a program has, and a program that is data alone.
package program
