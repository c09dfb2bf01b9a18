"""The timeline: a plan resolved against contacts into frames, holds and cues at absolute instants."""
