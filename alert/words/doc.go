// Package words makes what a person reads of an alarm from its facts, for one
// reader's scale. Every phrase stands once, in a table by alarm, fact or step.
package words
