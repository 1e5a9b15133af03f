// Package judge is the vocabulary of judging: what an outsider can see of a run
// ([Observation], with what a tool reports in it), and what is said of it ([Verdict]).
// It judges nothing itself and imports none of the packages below it:
//
//   - cel: conditions over signals and observations
//   - monitor: the expectations of a scenario, over time
//   - report: what a tool says, compared with what is true
//   - rules: the conduct of every tool on the bus
//
// None of them owns a clock (every call carries the time since the run began), and
// none looks into an ECU.
package judge
