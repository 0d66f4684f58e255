// Package robust estimates from readings of which some are wrong: the median and the median absolute
// deviation, the trend of Theil and Sen with its interval, and linear regression that starts from
// prior knowledge and lets no single value pull it away.
//
// The regression is what learns a machine's habits from its own weeks:
//
//	r := robust.Ridge{Terms: 2, Noise: 0.8, NoiseWeight: 5}
//	r.Mean, r.SD = [6]float64{8, 0.1}, [6]float64{2, 0.05} // 8 K at the centre, 0.1 K per K
//	p, ok := r.Fit(rows)                                    // rows of {1, outdoor - 30 °C}
//	mean, sd := p.Predict([6]float64{1, 5})
//
// Nothing here keeps or allocates memory for the sizes that occur, no input is modified, and what is
// not finite is left out.
//
// What the package deliberately does not do: it selects no regressors, and corrects no interval for
// values that depend on their neighbours; give it one value per run, window or day.
package robust
