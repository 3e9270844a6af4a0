// Package mqtt is the channel over an MQTT 3.1.1 broker: notices, retained
// climate and alarm documents, status with last will, heartbeat, and commands
// with their replies, all under dewline/<room>/. A sentinel's client listens to the
// signs of life of other rooms too.
//
// Every connection is a new client, so that nothing older than what is true
// now can be re-sent by the library, and nothing is kept on disk: what must
// not be lost is in the Desk's documents. A message counts as taken over only
// when the broker confirmed it over a connection that did not break meanwhile.
//
// Nothing here decides what is told; nothing here can block the rules.
package mqtt
