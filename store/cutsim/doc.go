// Package cutsim rebuilds what a disk may hold after a power cut, from a trace of
// the system calls of the program that wrote to it: each write that no sync had
// made certain is lost, whole, or torn by sectors, in any order.
//
// Nothing here is part of dewline at work; the tests of the store and of the
// daemon share it. What it assumes of a disk: what a sync returned for is
// certain, and a write damages no other sector. A disk that lies drops the first.
package cutsim
