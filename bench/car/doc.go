// Package car is the stand-in car without its ECUs: engine, starter, battery,
// driveline, the driver's hands and feet, and the wiring up to the ECUs' pins.
//
// The engine is a mean-value model (throttle and idle air, manifold, cylinder
// air, fuel as commanded, torque, friction, crank speed) moved in steps of
// [StepTime]. The ECUs see only pins ([Circuit.Volts], [Circuit.Hertz]) and act
// only through [Actuators], which reach the engine over circuits as well. What is
// true is in [Car.Truth].
//
// A car is a folder of data files: car.yaml with the numbers of the model,
// circuits.yaml with the wiring, calibration.yaml for the engine ECU, and one
// file for each ECU.
//
// The results are the same bits on every machine: only the run's seed gives
// chance, functions come from package exact, and every product that is added to
// something is rounded by an explicit conversion, so that no compiler fuses the
// two.
//
// Formulas are those of "Internal Combustion Engine Fundamentals" (1988), below
// [ICEF], and "Introduction to Modeling and Control of Internal Combustion Engine
// Systems" (2010), below [IMC]; usual values of sensors and batteries those of a
// common automotive engineering handbook, below [AH].
package car
