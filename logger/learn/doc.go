// Package learn draws a bench's own constants from its recorded runs: pump
// speed, manifold volume, what the arc puts into the glass, the pressure up to
// which the arc holds, the lag of the sensor; and the corridor in which the runs
// lie that somebody called good.
//
// Each run is looked at once. What it teaches, [Taught], stands beside it in
// learned.json; [Combine] puts many together so that one broken run does not
// move the result, and [Store] keeps what came out in numbered files that are
// never written over. The file with the highest number is in force.
//
// Units are SI, temperatures °C. Constants are those of logger/model.
package learn
