"""A FastAPI app of one route on uvicorn: `app.py PORT`."""

import sys

import uvicorn
from fastapi import FastAPI

app = FastAPI()


@app.get("/v1/health")
def health() -> dict[str, str]:
    """Answer a few words."""
    return {"state": "well"}


if __name__ == "__main__":
    uvicorn.run(app, host="127.0.0.1", port=int(sys.argv[1]), log_level="error")
