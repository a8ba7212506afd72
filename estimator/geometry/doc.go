// Package geometry turns the height of a surface in a vessel into a volume and
// back.
//
// Units: heights, diameters and distances in millimetres above the vessel's
// inner floor, volumes in litres, areas as the derivative dV/dh in litres per
// millimetre, angles in degrees.
//
// A Profile is built from measured points (height, volume) joined by a
// monotone piecewise cubic (F. N. Fritsch and J. Butland, A method for
// constructing local monotone piecewise cubic interpolants, SIAM J. Sci. Stat.
// Comput. 5 (1984), from memory; the code is gonum's), or from one of the
// shorthands, which are exact solids: cylinder, tapered round (frustum of a
// cone), tapered rectangle (prismatoid) and bowl (spherical cap). The solid
// formulas are textbook mensuration.
//
// Invariants: Volume is strictly increasing in height for heights above the
// floor, Height is its inverse, and Area is its derivative. Below the floor the
// volume goes on along a straight line into negative numbers, so that noise
// around an empty floor stays unbiased. Above the top the vessel is taken to go
// straight on.
//
// Error terms. Two errors do not average out:
//
//   - Tilt. A sensor tilted by an angle a reads d/cos(a) instead of d: too
//     long, so the surface seems too low by d/cos(a) - d. It shrinks as the
//     dough comes nearer; only the change over a rise matters: 2 degrees over
//     100 mm of change is 0.06 mm. A tilted sensor also looks off centre by
//     d*tan(a), which matters for a domed surface and for the walls.
//   - Dome. Dough often stands higher in the middle. The profile takes the
//     level as flat, so a sensor over the middle reads high. For a paraboloid
//     that stands the dome height above its own edge the mean level is half the
//     dome, and a spot of a share s of the radius sees (1 - s*s)/2 of it too
//     much. Stiff dough may dome by 10 mm and more, a wet starter is flat.
//
// What it does not do: it knows nothing of sensors, noise or time, it does not
// correct for a dome (the dome is not observed), and it does not guess a
// profile from the vessel's name.
package geometry
