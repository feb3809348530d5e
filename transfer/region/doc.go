// Package region is a small language for regions of a garment's vertices: what is
// locked in a transfer, masked in a fill or a smoothing. A region is a list of
// specs; it holds the vertices that at least one of them picks.
//
//	attribute:NAME             the attribute _NAME, one number a vertex, is 0.5 or more;
//	                           the underscore may be left out, and so may "attribute:"
//	color:N                    COLOR_N is painted red: red 0.5 or more, green and blue below
//	color:N.C                  channel C (r, g, b, a) of COLOR_N is 0.5 or more
//	joint:GLOB                 joints that match have more than half of the row's weight
//	box:X0,Y0,Z0,X1,Y1,Z1      inside the box between two opposite corners, its faces included
//	near:GLOB:METRES           no farther than that from the bones of joints that match
//	mesh:GLOB                  in a primitive whose node, mesh or material matches
//
// Positions are metres in the world frame of the default pose, y up. Globs have the
// syntax of path.Match and must match a whole name. The bones of a joint are the
// segments from its origin to those of its children in the skin; of a joint without
// children, its origin alone.
//
// Many exporters write white where nothing was painted, so that color:N leaves white
// out; color:N.r does not. glTF stores colours linear: 0.5 there is 188 of 255 in a
// painting program that shows sRGB.
package region
