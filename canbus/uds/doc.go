// Package uds is the vocabulary of diagnostics: what the bytes of a diagnostic message
// stand for, each written once. Services, sub-functions and negative responses of UDS
// (ISO 14229-1) and of emission OBD (SAE J1979 / ISO 15031-5), trouble codes (SAE J2012
// / ISO 15031-6) with their status, data identifiers, parameters with their scalings,
// monitors and their results.
//
// It holds tables and the small functions that read them: no server, no tool and no
// words for people beyond the standards' names (those are in package diag). What is not
// marked otherwise is as the named clause has it; "from memory" marks what was recalled.
package uds
