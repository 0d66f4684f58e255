// Package chart holds the two control charts that tell a drift from noise, the cumulative sum and
// the exponentially weighted moving average, and the arithmetic that designs them to a stated
// average run length.
//
// A design (CUSUM, EWMA) is a plain value that any number of systems share; a state is a plain
// value that each keeps and saves:
//
//	d := chart.DesignCUSUM(0.5, 5000) // a false signal in 5000 values, quick at a shift of 1 sd
//	s := d.HeadStart()                // after a repair: look twice as closely at first
//	up, down := d.Step(&s, z)
//
// The values are standardised residuals: independent, mean 0 and standard deviation 1 while all is
// well. Average run lengths count values, not hours, and hold for nothing else. Raw minutes of a
// refrigeration system are strongly correlated; chart one value per run, window or day.
//
// What the package deliberately does not do: it estimates no mean or deviation, resets nothing after
// a signal, and does not know time. Who feeds it decides what a value stands for.
package chart
