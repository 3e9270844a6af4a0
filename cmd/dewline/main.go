// Command dewline watches a room of planted enclosures and warns the keeper.
package main

func main() {}
