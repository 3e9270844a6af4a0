// Package block packs readings and rollups losslessly into short checksummed
// blocks: integers in hundredths of a unit, times in milliseconds.
//
// A block holds one or more series column by column. Each column is predicted
// from its own past (the last value, or a running mean whose weight the encoder
// picks) and what is left is coded by whichever of four coders comes out
// shortest: nothing at all, a list of changes, Rice, or a static range coder
// (rANS, Duda 2013, arXiv:1311.2540) with the block's own table.
//
// # Layout
//
// A block is a format byte, a body and a CRC-32C of both, least byte first. Numbers
// in the body are variable-length as in encoding/binary. The body of one series, or
// of a set of them, is, in this order:
//
//	count of series
//	column: number of each series less its place   only in a set
//	column: records in each series
//	column: running time of each first record      milliseconds
//	step                                           the usual distance, milliseconds
//	column: how far each record is off its series' grid of steps
//	column: wall time less running time
//	column: status                                 see Record.status
//	for temperature, humidity and light:
//	  column: raw values of the records that have one
//	  gain − 1 and offset, in 2^-20                only if some record has both values
//	  column: calibrated values less that line     the same
//	  column: values of the records without a raw one
//
// A column of n values is a head byte (coder, predictor, Rice parameter), the first
// value, and n − 1 residuals from the coder; of no values it is no bytes at all. Where
// all values are a multiple apart, as tenths in hundredths, whole seconds in milliseconds
// or polls that were missed, it is a head byte of its own, a zero, the divisor, the first
// value, and a column of how many times the divisor each is above that. Where they lie on
// few levels far apart, as sixteenths do in hundredths, it is the same head byte, the
// number of levels, the first of them, a column of the distances between them, and a
// column of the values' places among them. How many values it has is told by the columns before it. Records of one probe differ
// in little but noise, so all columns but the raw values are mostly constant, which is
// three bytes or so.
//
// No I/O happens here, and nothing is known of probes, buckets or files.
package block
