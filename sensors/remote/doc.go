// Package remote reads wireless probe nodes that publish JSON over MQTT: the
// pointer syntax that says where each quantity stands, a Node that keeps the
// newest value and says how old it is, and the Subscriber that feeds Nodes.
//
// A value is only as good as its age. A message that the broker had retained
// proves nothing about now unless it carries its own time. A live message whose
// time cannot be right is dated by its arrival and doubted, so that a clock hides
// no heat; a backlog never is.
//
// Publishing is package alert's business; this one only listens.
package remote
