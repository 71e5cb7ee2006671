"""From a department's pump, hose and nozzles to streams: joins hydraulics, flight and study files."""
