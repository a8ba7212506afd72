// Package kinetics holds the published curves the forecast rests on: how fast
// dough works at a temperature, the shape of a rise, and how dough cools.
//
// Units: temperatures in degrees Celsius, times in hours, rise in percent of
// the start volume. Everything is a pure function of its arguments.
//
// # Speed against temperature
//
// Two published curves bracket what can be in a dough. [Ganzle] is the yeast of
// many sourdoughs: Gänzle, Ehmann, Hammes (1998), Appl. Environ. Microbiol.
// 64(7):2616-2623. [CTMI] is the cardinal temperature model with inflection:
// Rosso, Lobry, Flandrois (1993), J. Theor. Biol. 162(4):447-463, with the
// optimum and maximum of S. cerevisiae from Salvado and others (2011), Appl.
// Environ. Microbiol. 77(7):2292-2302 (32.3 and 45.4 C). Its minimum of 4 C is
// chosen inside the range 1.3 to 4.3 C they give for the genus.
//
// Both describe growth in a laboratory medium. Only their change with
// temperature is used, never their absolute rate: each is divided by its value
// at 24 C. They disagree in sign above 28 C, and by a factor of two below 12 C.
// Neither may stop time altogether, so [Responses] holds both above a floor.
//
// # Shape of a rise
//
// [Sigmoid] is the family of Zwietering and others (1990), Appl. Environ.
// Microbiol. 56(6):1875-1881: modified Gompertz, logistic and Richards, all
// with a lag, a steepest slope and a ceiling. There they describe the logarithm
// of a count; to use them for the rise of dough in percent is our choice.
//
// # Not done here
//
// No gas loss, no gluten, no acid, no ceiling that moves with temperature
// (Gause 1932 shows that it does). See package forecast for what follows.
package kinetics
