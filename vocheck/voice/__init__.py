"""What knows voices: where the talker speaks, at which pitch and level, how the sound decays."""
