// Package trend is the statistics of creepage: it turns insulation readings
// into what is expected of a vehicle, with a date, a component and a reason.
//
// All levels are y = log10(ohm); a decade is a factor of ten; time is in whole
// UTC days. One bank of Kalman filters (interacting multiple models) runs per
// (vehicle, component, conductor group) and one per whole-vehicle quantity.
// The package does no input or output and reads no clock: time is an argument.
//
// The way of one reading: Model.Add puts it into the vehicle's open day, sets
// aside what cannot be a reading, folds the day (visit by visit) into the
// groups' banks; Model.Outlook predicts the banks to the time asked for, adds
// up the leaks of the parts at operating conditions, weighs them with the
// whole vehicle's own track, allows for a monitor's lowest values coming down
// and says what is due when; Model.Fold turns a run
// of outlooks into warnings.
package trend
