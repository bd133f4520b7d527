// Package model is a simple model of a bench with a tube on it, which is fitted
// to recorded runs and run forward to foretell the next one. Its states are the
// glass where the sensor sits, the sensor's reading, the electrode shells, the
// gas in tube and manifold, and what the wall still holds.
//
// Its equations are the handbook's ("A bench as equations", items 2, 3, 5, 6,
// 7, 9) with as few constants as a run can teach; [Constant] lists them, each
// with the handbook's starting value, how far that is trusted and why. What no run
// teaches, such as an emissivity, is the limits' own, from their tables and the
// bench's. It is not the model that tests and demo use as their bench, and shares no code with
// it.
//
// What it leaves out is in the uncertainty: the tube is even along its length,
// a sensor's seating and the operator's hand are the same from run to run but
// for a stated spread, all gas is one gas.
//
// SI units: Pa, °C, A, m, m³, s, W. Amounts of gas are p·V at 20 °C, Pa·m³.
package model
