// Package scenarios holds the scenario files, their format and their loader.
//
// A scenario is a YAML file that says which car is on which bus, what is wrong
// with it from when until when, what the driver does, which tasks the tool is
// given, and what is expected. The loader is strict: an unknown key, a value of
// the wrong type, a name that nobody knows or a condition with a mistake is an
// error with file, line and column, as many at once as can be told. [Schema] is the
// format as a JSON Schema for editors.
//
// What a car, a fault or a signal is, the package does not know: the caller gives
// the names in a [Vocabulary].
package scenarios
