-- Inside Ardour's own program: brings in a MIDI file's markers at the session's start, saves, and leaves.
-- Runs ten times a second. Before it stands: given = { midi, done }
return function(signal)
  if signal ~= LuaSignal.LuaTimerDS then return end
  turns = (turns or 0) + 1
  -- The window is up after a while; importing goes on while Ardour draws.
  if turns == 30 then
    local files = C.StringVector()
    files:push_back(given.midi)
    Editor:do_import(files, Editing.ImportDistinctFiles, Editing.ImportAsTrack, ARDOUR.SrcQuality.SrcBest,
      ARDOUR.MidiTrackNameSource.SMFTrackName, ARDOUR.MidiTempoMapDisposition.SMFTempoIgnore, Temporal.timepos_t(0),
      ARDOUR.PluginInfo(), ARDOUR.Track(), true)
  elseif turns == 60 then
    Session:save_state("", false, false, false, false, false)
    local file = io.open(given.done, "w")
    file:write("done\n")
    file:close()
  end
end
