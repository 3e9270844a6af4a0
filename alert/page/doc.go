// Package page serves what a keeper looks at in a browser: the room as its
// racks stand, one enclosure, the alarms, and the answer to a notice's link.
//
// Pages are made here from a snapshot and the record; nothing is decided, and
// everything a person asks for is handed on as a Command. Drawing lives in
// package chart, and who may read without a session is the caller's matter.
package page
