// Package simulate makes fleets with ground truth: vehicles whose insulation
// ages, leaks, gets wet and is measured by shops with imperfect meters and by
// on-board monitors with ceilings, together with the day on which each
// vehicle's isolation code really sets.
//
// The physics is not that of internal/trend, on purpose. Temperature follows
// Arrhenius' law, the thermoset curve or a handbook table, not one slope; damp
// has a memory; a fault is a leak beside the healthy insulation, so a level
// first stays and then bends; noise has heavy tails and a meter's error lasts.
// A method that does well here does so without sharing these laws.
//
// The settings (Mild, Rough, Coastal) were fixed before any parameter of the
// trend was fitted to a simulated fleet. Seeds below 100 are for fitting;
// judging uses JudgedSeeds. Magnitudes without a source beside them are
// judgement.
//
// Truth. A vehicle's code sets on the first day on which its whole-vehicle
// resistance (both poles in parallel, or the weaker pole where the platform
// says so), at that day's highest working temperature and dampest hour, is
// below the platform's code limit. What follows the code is a setting: either
// the vehicle's records end the day before (AfterCode Ends), or the component is
// replaced within ten days and the records go on (AfterCode Repaired). The
// truth is known for half a year beyond the last row.
package simulate
