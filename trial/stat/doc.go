// Package stat is the statistics of braking and speed trials, on bare numbers: no units, no I/O, no clock, and no panic on any input.
//
//   - CensoredLine fits a straight line by maximum likelihood to points of which some are known only to lie higher: runs that overran.
//     Line.Predict gives the interval of its mean, Line.Inverse the place where it reaches a height. Start here.
//   - Motion fits s = s0 + t v + v²/(2a), no term negative, to the same points, and AICc compares the two.
//   - Pooled is the scatter within groups; ToleranceOneSided and ToleranceTwoSided say how many of its standard deviations a bound must be away.
//   - Monotone draws a curve through points that rise, without a hump between them, and Curve.Inverse reads it the other way.
//
// To show that a stop is constant, ask whether its whole interval lies within the tolerance (two one-sided tests): that needs no more than Predict.
//
// Where it can't answer it returns one of the errors Err..., to be told by errors.Is.
//
// # Sources
//
// Of these papers and books the formulas are known from memory; the check values of the tests name what they were held against.
//
//   - Nelson and Hahn, Technometrics 14 (1972): regression with censored points.
//   - Olsen, Econometrica 46 (1978): with 1/sigma and slope/sigma as parameters its likelihood has one summit.
//   - EN 14531-1: equivalent response time and mean deceleration.
//   - Hurvich and Tsai, Biometrika 76 (1989): AICc.
//   - Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987): equivalence by two one-sided tests.
//   - Fieller, J. Royal Statistical Society B 16 (1954): the interval of a ratio, and so of an inverse prediction.
//   - Howe, J. American Statistical Association 64 (1969): two-sided tolerance limits, nearly (held against); Hahn and Meeker, Statistical Intervals (1991): exactly.
//   - Fritsch and Carlson, SIAM J. Numerical Analysis 17 (1980): monotone piecewise cubic interpolation.
package stat
