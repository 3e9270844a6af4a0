// Package remote reads wireless nodes that publish JSON over MQTT: a Node keeps the newest
// value and says how old it is, the Subscriber feeds Nodes. It only listens.
//
// A value is only as good as its age. A message that the broker had retained proves
// nothing about now unless it carries its own time. A live message whose time cannot be
// right is dated by its arrival and doubted, so that a clock hides no heat; a backlog
// never is.
package remote
