// Package block packs readings and rollups losslessly into short checksummed
// blocks: integers in hundredths of a unit, times in milliseconds.
//
// A block holds one or more series column by column. Each column is predicted
// from its own past (the last value, or a running mean whose weight the encoder
// picks) and what is left is coded by whichever of four coders comes out
// shortest: nothing at all, a list of changes, Rice, or a static range coder
// (rANS, Duda 2013, arXiv:1311.2540) with the block's own table.
//
// No I/O happens here, and nothing is known of probes, buckets or files.
package block
