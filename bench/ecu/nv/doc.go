// Package nv is what a control unit keeps without power: learned values as numbers,
// identity as text, images of its memory.
//
// Here lives what survives reset and key-off apart from trouble codes, and nothing that
// judges it.
package nv
